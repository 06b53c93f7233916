"""The rules: names, weights and limits. A limit can be changed in the site sheet.

Names, weights and limits are the contract of `check --json`. Bases: EPN is the EUREF Permanent
Network's criteria for real-time stations; NGS the single-base guidelines v2.1 of the National
Geodetic Survey (from memory); "judgement" and "common practice" have no source.
"""

from rtcmtool.diagnosis.finding import Rule, Weight

K, B, I = Weight.KNOWN, Weight.BLOCKS, Weight.INFORMS  # noqa: E741  (the classes of the contract)

# fmt: off
_RULES = (
    Rule("bytes_arrive", "messages arrive", K, "s", None, 15.0, "judgement: 3 intervals, 15 s"),
    Rule("frames_whole", "frames damaged", K, "%", 1.0, 5.0,
         "loss of frames at given bit error rates, computed; judgement", below=True),
    Rule("foreign_bytes", "bytes outside frames", I, "%", 0.5, 5.0, "judgement", below=True),
    Rule("epochs_complete", "epochs complete", K, "%", 95.0, 80.0,
         "EPN availability 90 and 80 %; good limit by judgement"),
    Rule("longest_gap", "longest gap", B, "s", 3.0, 10.0, "judgement"),
    Rule("delay", "delay", B, "s", 3.0, 5.0, "EPN real-time latency 3 and 5 s", below=True),
    Rule("observations_usable", "observations", K, None, None, None,
         "RTCM 10403.x: MSM1-3, 1001, 1003, 1009 and 1011 carry no whole ranges or no phase"),
    Rule("two_bands", "bands", B, "satellites", 5.0, 5.0,
         "five common satellites for a fix: university course on GNSS for surveyors, NGS"),
    Rule("satellites_enough", "satellites", B, "satellites", 12.0, 7.0,
         "judgement; NGS 5-7 for two systems"),
    Rule("geometry", "PDOP", I, None, 3.0, 6.0, "NGS accuracy classes"),
    Rule("position_sent", "position message", K, "s", 15.0, 60.0,
         "common practice 5-30 s; judgement"),
    Rule("position_on_earth", "position possible", B, "m", None, None, "geometry: -500 to 9000 m"),
    Rule("position_steady", "position steady", B, "m", 0.0001, 0.0001,
         "step of 1005 and 1006; judgement"),
    Rule("position_matches_mark", "position = known mark", K, "mm", 5.0, 20.0,
         "width of NGS class RT1; judgement"),
    Rule("position_matches_code", "position = own measurement", B, "m", 3.0, 10.0,
         "code solutions of right bases, computed on real data: 1.5 m plan, over 4 m height"),
    Rule("position_matches_earlier", "position = earlier captures", B, "mm", 5.0, 20.0,
         "width of NGS class RT1; judgement"),
    Rule("antenna_height", "antenna height", B, "mm", 2.0, 5.0,
         "US Army survey manuals: tape to 1 mm; 0-3 m on a tripod by judgement"),
    Rule("antenna_named", "antenna name", I, None, None, None,
         "IGS antenna list; EUREF on null antennas: 5-10 cm when models are mixed"),
    Rule("one_base", "one base only", K, "stations", 1.0, 1.0, "judgement"),
    Rule("glonass_bias", "GLONASS bias 1230", I, "s", 30.0, None,
         "common practice 5-30 s; inter-frequency biases: GPS Solutions 2018, Inside GNSS 2012"),
    Rule("epoch_closed", "epochs closed", I, "%", 99.0, 95.0, "judgement"),
    Rule("half_cycles", "half cycles", I, "%", 1.0, 10.0, "judgement", below=True),
    Rule("slips", "slips", I, "per satellite-hour", 0.6, 1.2,
         "IGS help desk, converted from 30 s data", below=True),
    Rule("lock_restart", "restarts", I, "times", 0.0, 1.0, "judgement"),
    Rule("signal_strength", "signal strength", I, "dB-Hz", 45.0, 38.0,
         "receiver guides by elevation; judgement"),
    Rule("band_drop", "band drop", I, "dB", 2.0, 5.0, "judgement", below=True),
    Rule("multipath", "multipath", I, "m", 0.5, 1.0, "IGS help desk; judgement", below=True),
    Rule("ionosphere", "ionosphere", I, "mm/s", 2.0, 10.0, "judgement, over 30-60 s", below=True),
    Rule("clock_jumps", "clock jumps", I, "times", 0.0, 1.0, "judgement"),
    Rule("air_time", "air time", K, "%", 60.0, 85.0,
         "judgement: above, data queue up and age grows", below=True),
    Rule("announced_messages", "messages as planned", B, None, None, None, "the plan itself"),
    Rule("rover_can_use", "rover can use it", B, None, None, None, "the sheet's rover"),
    Rule("systems_steady", "systems steady", I, "systems", 0.0, 0.0, "judgement"),
    Rule("epochs_single", "epochs once", I, "%", 1.0, 10.0, "judgement", below=True),
)
# fmt: on

RULES: dict[str, Rule] = {rule.name: rule for rule in _RULES}
