"""The numbers of the sliding windows, of signals and of the base as one JSON object."""

from typing import Any

from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.windows import SESSION, WINDOWS_S, Counts, TypeCounts, median_strength
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNAL_ID

JsonObject = dict[str, Any]

_NS_PER_MS = 1_000_000


def windows_object(live: LiveState) -> JsonObject:
    """Give what came in the last 1, 10 and 60 min and the session; what is not known is null.

    Parameters
    ----------
    live : LiveState
        The stream at its latest time.
    """
    spans = {str(length): live.windows.over(length) for length in WINDOWS_S}
    spans["session"] = live.windows.over(SESSION)
    return {
        "type": "windows",
        "utc": gnss_time.iso_utc(live.now.utc_ns),
        "windows": {name: _window(live, counts) for name, counts in spans.items()},
        "signals": _signals(live),
        "stations": _stations(live),
    }


def _window(live: LiveState, counts: Counts) -> JsonObject:
    mean_s, least_s = counts.mean_delay_s, live.delays.least_s
    has_spread = mean_s is not None and least_s is not None
    return {
        "seconds": round(counts.seconds, 3),
        "bytes": counts.size_bytes,
        "frames": counts.frames,
        "frames_damaged": counts.damaged,
        "foreign_bytes": counts.foreign_bytes,
        "bytes_per_s": round(counts.bytes_per_s, 1),
        "frames_per_s": round(counts.frames_per_s, 2),
        "epochs_due": counts.due,
        "epochs_whole": counts.whole,
        "delay_s": _rounded(mean_s),
        "delay_over_least_s": round((mean_s or 0.0) - (least_s or 0.0), 3) if has_spread else None,
        "delay_95_s": _rounded(counts.delay_within_s(0.95)),
        "clock_trusted": live.clock_trusted,
        "satellites_mean": _rounded(counts.mean_satellites),
        "satellites_fewest": counts.fewest if counts.satellite_epochs else None,
        "satellites_most": counts.most if counts.satellite_epochs else None,
        "messages": {
            str(number): _type(each) for number, each in sorted(counts.types.items()) if number > 0
        },
    }


def _type(counts: TypeCounts) -> JsonObject:
    return {
        "count": counts.count,
        "bytes": counts.size_bytes,
        "interval_s": _rounded(counts.interval_s),
        "jitter_s": _rounded(counts.jitter_s),
        "longest_gap_s": _rounded(counts.longest_s or None),
    }


def _signals(live: LiveState) -> list[JsonObject]:
    """Give satellites and strengths of each signal: the last minute's and the session's medians."""
    total = live.state.signals.cnr
    lately = live.windows.recent_strengths(total)
    found = []
    for letter in live.satellites.counts(live.old_s):
        for signal in live.satellites.signals(letter, live.old_s):
            place = SYSTEM_LETTERS.index(letter), SIGNAL_ID[signal.name]
            found.append(
                {
                    "system": letter,
                    "signal": signal.name,
                    "satellites": signal.satellites,
                    "cnr_median_dbhz": _rounded(median_strength(lately[place])),
                    "cnr_median_session_dbhz": _rounded(median_strength(total[place])),
                }
            )
    return found


def _stations(live: LiveState) -> list[JsonObject]:
    """Give the station numbers with the positions that each has sent, every change of them."""
    return [
        {
            "station": number,
            "messages": station.messages,
            "first_utc": _instant(live, station.first_ms),
            "last_utc": _instant(live, station.last_ms),
            "positions": [
                {
                    "utc": _instant(live, position.time_ms),
                    "number": position.number,
                    "arp_ecef_m": list(position.arp_ecef_m),
                    "antenna_height_m": position.antenna_height_m,
                }
                for position in station.positions
            ],
        }
        for number, station in sorted(live.state.base.stations.items())
    ]


def _instant(live: LiveState, time_ms: int) -> str:
    return gnss_time.iso_utc(live.clock.moment(time_ms * _NS_PER_MS).utc_ns)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
