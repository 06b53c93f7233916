"""`help WORD`: the words of the trade that the tool uses, in plain language."""

import difflib

from rtcmtool.errors import UsageError

LONGEST_NUMBER = 4  # digits of a message number

WORDS: dict[str, str] = {
    "base": "the receiver that stands on the known point and sends corrections",
    "rover": "the receiver that moves and measures points with the base's corrections",
    "epoch": "one moment of measurement, usually each second",
    "message": "one kind of content, named by its number: 1006 is position and antenna height",
    "frame": "one packet on the wire, with one message and a check sum (CRC)",
    "damaged": "a frame whose check sum (CRC) fails: some of its bits changed on the way",
    "lost": "what was due and never came",
    "observations": "what the base measured to each satellite; MSM4 and MSM7 are a small and a "
    "large form",
    "gap": "any missed epoch",
    "outage": "a gap of at least 3 intervals and at least 5 s",
    "delay": "arrival here minus the time of the epoch",
    "age": "the delay at the rover: how old the corrections are when it uses them",
    "arp": "antenna reference point: the height level that 1005 and 1006 mean",
    "known mark": "the surveyed point under the base",
    "site sheet": "the file that says what the base should send",
    "fix": "centimetres: the whole wave counts are solved",
    "float": "decimetres: corrections are used, the whole wave counts are not solved",
    "no rtk": "corrections are not used at all",
    "slip": "the wave count to a satellite broke",
    "c/n0": "signal strength in dB-Hz: 45 is strong, 30 is weak",
    "air time": "share of each second in which the radio must transmit",
    "bad": "act now",
    "watch": "look when you can",
    "?": "not known; the reason stands beside it",
    "go": "a rover can fix with this",
    "no-go": "do not leave yet",
    "cannot tell": "something essential could not be seen",
    "sending": "whole epochs come; SENDING, BUT names what is wrong all the same",
    "waiting": "nothing has come yet since the source is open",
    "silent": "no byte comes any more: power, cable, radio",
    "no observations": "whole messages come, but no epoch: the rover has nothing to work with",
    "no position": "neither 1005 nor 1006 comes: most rovers give no RTK",
    "not watching": "we cannot listen ourselves; what the base does meanwhile is not known",
    "gaps so far": "epochs that were missed while this was watched",
    "open now": "what is wrong at this moment and has not ended",
    "to do": "the next step in the field against what is open now",
    "last epoch": "the latest moment of measurement that has come",
    "signals": "what a satellite sends on a band, by the two characters of RINEX: 1C, 2W",
    "bands": "carrier frequencies: two of a satellite make a fix quick",
    "pdop": "how the satellites lie: below 3 is good, over 6 is poor",
    "hdop": "the same for the plan alone, as the rover tells it",
    "ephemerides": "orbits of the satellites, sent by them and by some bases",
    "mountpoint": "the name of one stream at a caster",
    "caster": "the server that hands streams on over the network (NTRIP)",
    "station": "the number that a base gives itself in each message, 0 to 4095",
    "half cycle": "a wave count that may be half a wave wrong until the receiver is sure",
    "multipath": "reflections that bend the measurements: fences, vehicles, water, walls",
    "slant": "antenna height taped to the rim: longer than the vertical height",
    "levelled height": "height above the sea; GNSS measures above the ellipsoid, up to 100 m off",
}


def explain(word: str, width: int = 80) -> str:
    """Give the meaning of a word, of a rule as it is printed, of a cause, of a message number.

    Parameters
    ----------
    word : str
        In small or capital letters.
    width : int
        Columns of a longer answer.

    Raises
    ------
    UsageError
        If the word is not known; names the nearest.
    """
    key = word.lower()
    if key in WORDS:
        return f"{key}: {WORDS[key]}"
    if key.isdecimal() and len(key) <= LONGEST_NUMBER:
        from rtcmtool.wire.catalogue import title

        return f"{key}: {title(int(key))}"
    from rtcmtool.diagnosis.rule_table import RULES
    from rtcmtool.views.diagnosis_text_explain import explainable, explanation

    printed = {rule.printed.lower(): name for name, rule in RULES.items()}
    name = printed.get(key, key.replace(" ", "_"))
    if name in explainable():
        return "\n".join(explanation(name, width))
    near = difflib.get_close_matches(key, [*WORDS, *printed], 1)
    hint = f" Did you mean '{near[0]}'?" if near else ""
    known = ", ".join(WORDS)
    raise UsageError(
        f"there is no command or word '{word}'.{hint}",
        why=f"known words: {known}.",
        do="give one of these, a message number, or a rule as `check` prints it",
    )
