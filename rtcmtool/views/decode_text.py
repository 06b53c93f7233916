"""Frames as lines, and the table of `decode --summary`."""

from collections.abc import Collection, Iterator
from typing import Any, Protocol

from rich import box
from rich.table import Table

from rtcmtool.diagnosis.wording import grouped, seconds
from rtcmtool.gnss import time as gnss_time
from rtcmtool.monitor.message_stats import MessageStats, MessageTable
from rtcmtool.monitor.stream_clock import StreamClock
from rtcmtool.views.decode_json import JsonObject
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS, system_of, title

REJECT_TITLES = {
    "crc": "damaged (CRC)",
    "noise": "not RTCM",
    "truncated": "cut at the end",
    "layout": "impossible for its number",
}
UNTIMED = "-"


def frame_line(item: JsonObject, *, all_fields: bool = False, epoch: str = UNTIMED) -> str:
    """Give a frame or a reject as one line: time, number, title, station, bytes, key value.

    Parameters
    ----------
    item : dict
        An object of `decode --json`.
    all_fields : bool
        Print every field instead of the telling ones.
    epoch : str
        What stands for the time of an item that carries none: that of the stream at its place,
        see `epoch_text`.
    """
    if "reject" in item:
        head = [epoch, "reject", REJECT_TITLES[item["reject"]], UNTIMED, f"{item['length']} B"]
        rest = [f"offset {item['offset']}"]
        if "number" in item:
            rest.append(f"number {item['number']}")
        if "detail" in item:
            rest.append(item["detail"])
        return "  ".join([*head, *rest])
    station = item.get("station")
    head = [
        _time(item) or epoch,
        UNTIMED if item["number"] is None else str(item["number"]),
        item["title"],
        UNTIMED if station is None else str(station),
        f"{item['length']} B",
    ]
    return "  ".join([*head, *_details(item, all_fields=all_fields)])


def epoch_text(item: JsonObject) -> str | None:
    """Give the epoch of an item that moves the stream on, observations; None of any other.

    Messages without a time belong to the latest epoch before them, as `StreamClock` has it.
    """
    return _time(item) if "observations" in item else None


def _time(item: JsonObject) -> str | None:
    if "gps_time" in item:
        return f"{item['gps_time']} GPS"
    if "epoch_ms" not in item:
        return None
    day = item["number"] != 4076 and system_of(item["number"]) == "R"
    return f"{item['epoch_ms'] / 1000:.3f} s of {'GLONASS day' if day else 'week'}"


def _details(item: JsonObject, *, all_fields: bool) -> Iterator[str]:
    rows = item.get("observations")
    if rows is not None:
        satellites = dict.fromkeys(row["satellite"] for row in rows)
        yield f"satellites {len(satellites)}"
        yield f"observations {len(rows)}"
        if satellites and not all_fields:
            yield " ".join(satellite or "?" for satellite in satellites)
    if "satellite" in item:
        yield f"satellite {item['satellite']}"
    for key, value in item["fields"].items():
        if all_fields or key in _TELLING:
            yield f"{key} {_short(value)}"
    if "payload_hex" in item:
        yield f"payload_hex {item['payload_hex']}" if all_fields else "not decoded"


_TELLING = frozenset(
    {
        "arp_ecef_m",
        "antenna_height_m",
        "antenna_descriptor",
        "receiver_type",
        "text",
        "week",
        "toe_s",
        "leap_seconds",
        "aligned",
        "bias_1c_m",
        "bias_1p_m",
        "bias_2c_m",
        "bias_2p_m",
    }
)


def _short(value: Any) -> str:
    if isinstance(value, list):
        if value and isinstance(value[0], dict):
            return f"({len(value)} entries)"
        return "[" + ", ".join(_short(part) for part in value) + "]"
    if value is None:
        return "not available"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return repr(value) if isinstance(value, str) else str(value)


class Counted(Protocol):
    """What the table needs of a stream."""

    @property
    def clock(self) -> StreamClock:
        """When things happened."""
        ...

    @property
    def messages(self) -> MessageTable:
        """Counts by message number."""
        ...


def summary_table(
    state: Counted,
    rejects: dict[str, tuple[int, int]],
    *,
    only: Collection[int] | None = None,
    width: int = 80,
) -> Table:
    """Give the table of a stream: a row a message number, a row a kind of reject.

    Parameters
    ----------
    state : Counted
        The stream: a `StreamCounts`, or a whole `StreamState`.
    rejects : dict
        Number of rejects and their bytes by kind.
    only : collection of int, optional
        These message numbers, and no rejects.
    width : int
        Columns; below 76 some columns are left out.

    Returns
    -------
    rich.table.Table
        Fits the width.
    """
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1))
    names = [name for name, needs in _COLUMNS.items() if width >= needs]
    for name in names:
        right = name not in {"number", "what"}
        table.add_column(
            name, justify="right" if right else "left", no_wrap=name != "what", overflow="fold"
        )
    for message, stats in sorted(state.messages.by_number.items()):
        if only is None or message in only:
            cells = {
                "number": str(message) if message >= 0 else "-",
                "what": title(message) if message >= 0 else "no number",
                "frames": grouped(stats.count),
                "every": _every(stats),
                "bytes": grouped(stats.size_bytes),
                "lost": _lost(stats, message),
                "first": _time_of_day(state.clock, _first_ms(stats, state), stats.first_epoch_ms),
                "last": _time_of_day(state.clock, stats.last_ms, stats.last_epoch_ms),
            }
            table.add_row(*(cells[name] for name in names))
    for kind, (count, size) in rejects.items() if only is None else ():
        cells = {
            "number": "reject", "what": REJECT_TITLES[kind], "frames": grouped(count),
            "bytes": grouped(size),
        }  # fmt: skip
        table.add_row(*(cells.get(name, "") for name in names))
    return table


# Columns of the summary, and the width from which on there is room for them.
_COLUMNS = {
    "number": 0, "what": 0, "frames": 0, "every": 36, "bytes": 56, "lost": 46, "first": 66,
    "last": 76,
}  # fmt: skip


def _every(stats: MessageStats) -> str:
    if not stats.interval_s:
        return "-"
    return f"{stats.interval_s:.3g} s" if stats.interval_s < 60 else seconds(stats.interval_s)


def _first_ms(stats: MessageStats, state: Counted) -> int | None:
    """Give the time of the first; what comes before the first epoch stands beside it."""
    return state.clock.first_ms if stats.untimed else stats.first_ms


def _lost(stats: MessageStats, message: int) -> str:
    """Count what was due; only observations come at a fixed interval for certain."""
    known = message in OBSERVATION_NUMBERS and stats.interval_s
    return grouped(stats.missed) if known else ""


def _time_of_day(clock: StreamClock, time_ms: int | None, epoch_ms: int | None) -> str:
    """Give a time of day in UTC, or the second of the GPS week while no date is known."""
    utc_ns = None if time_ms is None else clock.utc_ns(time_ms)
    if utc_ns is None and epoch_ms is not None:
        utc_ns = clock.utc_ns_of_epoch(epoch_ms)
    if utc_ns is not None:
        return gnss_time.iso_utc(utc_ns, decimals=0)[11:19]
    shown = time_ms if time_ms is not None else epoch_ms
    return "-" if shown is None else f"{shown % gnss_time.MS_PER_WEEK / 1000:.0f} s"
