"""The account of a recording: one screen at its end, and what is told at its start."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from rtcmtool.captures.naming import CaptureFiles
from rtcmtool.diagnosis.wording import grouped, seconds, share
from rtcmtool.monitor.base_station import SIMULATED
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.views import dashboard_facts as facts
from rtcmtool.views.headline import length_text
from rtcmtool.views.status_lines import stamp

_LABEL = 12


@dataclass(frozen=True, slots=True)
class Account:
    """What is told of a recording.

    Attributes
    ----------
    live : LiveState
        The stream, finished.
    source : str
        Without secrets.
    received_bytes, lost_bytes : int
        What came, and what a full disk did not take.
    paths : sequence of Path
        Files of bytes that are there, one a part.
    outages, outage_s : mapping
        Number and seconds by kind.
    not_watched, not_watched_s
        Times in which we were not listening.
    deleted_parts : int
        Old parts that were deleted while it was recorded.
    is_blind : bool
        Whether we were not listening at the end.
    """

    live: LiveState
    source: str
    received_bytes: int
    lost_bytes: int
    paths: Sequence[Path]
    outages: Mapping[str, int]
    outage_s: Mapping[str, float]
    not_watched: int
    not_watched_s: float
    deleted_parts: int = 0
    is_blind: bool = False


def account_lines(account: Account) -> list[str]:
    """Give the account as lines; empty ones part its blocks."""
    live = account.live
    begin, end = stamp(live.start.utc_ns), stamp(live.now.utc_ns)
    traffic = live.state.traffic
    damaged = f"{grouped(traffic.damaged)} of {grouped(traffic.frames + traffic.damaged)} damaged"
    gaps, lost = facts.gaps_fact(live)
    made_up = live.state.base.is_simulated
    lines = [
        f"{SIMULATED + ' - ' if made_up else ''}Recorded {length_text(live.seconds)} "
        f"of {account.source}",
        _line("time", f"{begin} to {end}"),
        _line("bytes", _bytes(account)),
        _line("frames", f"{grouped(traffic.frames)} whole, {damaged}"),
        _line("epochs", lost.replace(" epochs", "") or "? none judged"),
        _line("gaps", gaps),
        _line("outages", _outages(account)),
        _line("position", _position(live)),
    ]
    return [*lines, *_troubles(account), *_files(account)]


def short_account_lines(account: Account) -> list[str]:
    """Give the account of one of several recordings, so that all of them fit one screen."""
    live = account.live
    traffic = live.state.traffic
    _, lost = facts.gaps_fact(live)
    made_up = f"{SIMULATED} - " if live.state.base.is_simulated else ""
    whole = lost.replace(" epochs", "") or "? none judged"
    frames = f"{grouped(traffic.frames)} whole, {grouped(traffic.damaged)} damaged"
    size = f"{grouped(account.received_bytes)} bytes"
    lines = [
        f"{made_up}{account.source}: {length_text(live.seconds)}, {size}",
        _line("frames", f"{frames}; epochs {whole}"),
        _line("outages", _outages(account)),
    ]
    return [*lines, *_troubles(account), _line("files", _first_file(account))]


def account_object(account: Account) -> dict[str, object]:
    """Give the account as a JSON object."""
    live = account.live
    traffic = live.state.traffic
    return {
        "type": "recording",
        "source": account.source,
        "path": str(account.paths[0]),
        "paths": [str(path) for path in account.paths],
        "parts_deleted": account.deleted_parts,
        "seconds": round(live.seconds, 3),
        "bytes": account.received_bytes,
        "bytes_lost": account.lost_bytes,
        "frames": traffic.frames,
        "frames_damaged": traffic.damaged,
        "gaps": live.gaps.count,
        "longest_gap_s": live.gaps.longest_s,
        "epochs_due": live.gaps.due,
        "epochs_whole": live.gaps.whole,
        "outages": dict(account.outages),
        "outage_s": {kind: round(length, 3) for kind, length in account.outage_s.items()},
        "not_watched": account.not_watched,
        "not_watched_s": round(account.not_watched_s, 3),
    }


def _line(label: str, text: str) -> str:
    return f"  {label:<{_LABEL}}{text}"


def _bytes(account: Account) -> str:
    size, length_s = account.received_bytes, account.live.seconds
    if not size:
        return "none came"
    each = f", {grouped(round(size / length_s))} each second" if length_s >= 1 else ""
    return f"{grouped(size)}{each}"


def _outages(account: Account) -> str:
    count = sum(account.outages.values())
    if not count:
        return "none"
    kinds = ", ".join(f"{kind} {number}" for kind, number in sorted(account.outages.items()))
    in_all = seconds(round(sum(account.outage_s.values()), 1))
    return f"{count}, {in_all} in all, {share_of_time(account)} of the time: {kinds}"


def share_of_time(account: Account) -> str:
    """Give the share of the time in which an outage was open; rows never overlap."""
    return share(round(sum(account.outage_s.values())), max(round(account.live.seconds), 1))


def _position(live: LiveState) -> str:
    known = [s.positions for s in live.state.base.stations.values() if s.positions]
    if not known:
        return "none was sent"
    if any(len(each) > 1 for each in known):
        return "CHANGED"
    every = live.position_interval_s
    return f"every {seconds(every)}, never changed" if every else "never changed"


def _troubles(account: Account) -> list[str]:
    """Tell of the times of not listening, and of what the disk did not take."""
    lines = []
    if account.not_watched:
        times = "once" if account.not_watched == 1 else f"{account.not_watched} times"
        length = seconds(round(account.not_watched_s, 1))
        lasting = ", still at the end" if account.is_blind else ""
        text = f"{times}, {length} in all{lasting}: no outage, told in the events"
        lines.append(_line("not watched", text))
    if account.lost_bytes:
        text = f"{grouped(account.lost_bytes)} bytes: the disk took no more"
        lines.append(_line("LOST", text))
    return lines


def _first_file(account: Account) -> str:
    """Name the file of bytes, or the first and the last of them that are still there."""
    paths, gone = account.paths, account.deleted_parts
    older = f"; {gone} older deleted" if gone else ""
    if len(paths) == 1:
        return f"{paths[0]}{older}"
    return f"{paths[0]} to {paths[-1].name}, {len(paths)} parts of five files{older}"


def _files(account: Account) -> list[str]:
    """Name the files: all five of one capture, the first and the last part of several."""
    paths = account.paths
    if len(paths) > 1:
        return [_line("files", _first_file(account))]
    names = [path.name for path in CaptureFiles.of_file(paths[0]).all_paths()]
    others = ", ".join(f".{name.removeprefix(paths[0].stem + '.')}" for name in names[1:])
    return [_line("files", _first_file(account)), _line("", f"and beside it {others}")]
