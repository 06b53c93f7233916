import gc
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from rtcmtool.captures import OutageRow
from rtcmtool.monitor.outage_kinds import OutageChange
from rtcmtool.running import hooks as module
from rtcmtool.running.hooks import Hooks, outage_facts, runs_in_group
from tests.running.driving import Driven, drive, item, utc_ns

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="commands of a POSIX shell")

SAFETY_S = 120.0
ROW = OutageRow(
    utc_ns(10), utc_ns(24), 14.0, "silence", epochs_missed=13, bytes_received=7, crc_failures=2,
    stations_heard=(12, 417),
)  # fmt: skip


def hooks(driven: Driven, on_outage: str | None = None, on_recovery: str | None = None) -> Hooks:
    made = Hooks(on_outage, on_recovery, capture="job.rtcm3", source="COM5")
    driven.session.listeners.append(made)
    return made


def opened(row: OutageRow = ROW) -> OutageChange:
    return OutageChange(is_open=True, row=row)


def closed(*, goes_on: bool = False) -> OutageChange:
    return OutageChange(is_open=False, row=ROW, goes_on=goes_on)


def wait_for(driven: Driven, made: Hooks, seconds: float = 5.0) -> None:
    """Let ticks pass until no command runs any more."""
    due_s = time.monotonic() + SAFETY_S
    while made.running:
        driven.take(item(seconds))
        time.sleep(0.01)
        assert time.monotonic() < due_s


def test_a_command_gets_the_facts_of_the_outage(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    made = hooks(driven, on_outage=f"env > {tmp_path}/facts")
    made.on_outage(driven.session, opened())
    wait_for(driven, made)
    lines = set((tmp_path / "facts").read_text().splitlines())
    assert {
        "RTCMTOOL_EVENT=outage",
        "RTCMTOOL_KIND=silence",
        "RTCMTOOL_START_UTC=2026-03-04T06:59:52.000Z",
        "RTCMTOOL_END_UTC=",
        "RTCMTOOL_DURATION_S=14.000",
        "RTCMTOOL_EPOCHS_MISSED=13",
        "RTCMTOOL_BYTES_RECEIVED=7",
        "RTCMTOOL_CRC_FAILURES=2",
        "RTCMTOOL_STATIONS_HEARD=12 417",
        "RTCMTOOL_CAPTURE=job.rtcm3",
        "RTCMTOOL_SOURCE=COM5",
    } <= lines
    assert not driven.kept.of("command")


def test_facts_that_are_not_known_are_empty() -> None:
    facts = outage_facts(OutageRow(0, 0, 0.0, "silence"), is_open=False)
    assert facts["RTCMTOOL_EPOCHS_MISSED"] == facts["RTCMTOOL_LAST_GOOD_EPOCH_GPS"] == ""
    assert facts["RTCMTOOL_EVENT"] == "recovery"


def test_a_recovery_is_told_once_and_not_while_it_goes_on(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    made = hooks(driven, on_recovery=f"echo $RTCMTOOL_KIND >> {tmp_path}/back")
    made.on_outage(driven.session, opened())
    made.on_outage(driven.session, closed(goes_on=True))
    made.on_outage(driven.session, opened())
    made.on_outage(driven.session, closed())
    wait_for(driven, made)
    assert (tmp_path / "back").read_text() == "silence\n"


def test_a_command_that_fails_is_told_with_what_it_said(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    made = hooks(driven, on_outage="echo no such mailbox >&2; exit 3")
    made.on_outage(driven.session, opened())
    wait_for(driven, made)
    (event,) = driven.kept.of("command")
    assert event.text == "--on-outage failed: exit 3, no such mailbox"


def test_a_command_never_holds_up_the_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LONGEST_S", 6.0)
    driven = drive(tmp_path).take(item(4))
    made = hooks(driven, on_outage=f"sleep {2 * SAFETY_S:.0f}")
    began_s = time.monotonic()
    made.on_outage(driven.session, opened())
    driven.take(item(5, b"abc"))
    assert time.monotonic() - began_s < SAFETY_S
    assert made.running == 1
    driven.take(item(5 + module.LONGEST_S + 1))
    wait_for(driven, made, 5 + module.LONGEST_S + 1)
    (event,) = driven.kept.of("command")
    assert event.text == "--on-outage was ended: it ran longer than 6 s"
    driven.close()
    assert driven.path.read_bytes() == b"abc"


@pytest.mark.slow
def test_a_base_that_comes_and_goes_does_not_fill_the_computer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LONGEST_S", 6.0)
    driven = drive(tmp_path).take(item(1))
    made = hooks(driven, on_outage=f"sleep {SAFETY_S:.0f}")
    for _ in range(module.MOST_AT_ONCE + 3):
        made.on_outage(driven.session, opened())
    assert made.running == module.MOST_AT_ONCE
    texts = [event.text for event in driven.kept.of("command")]
    assert texts == ["--on-outage was not run: 8 commands still run"] * 3
    driven.take(item(2), item(9))
    wait_for(driven, made, 9)


def test_what_a_stream_sends_is_no_part_of_a_command(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    made = hooks(driven, on_outage=f'echo "$RTCMTOOL_KIND" > {tmp_path}/kind')
    evil = OutageRow(0, 0, 0.0, f"$(touch {tmp_path}/evil); touch {tmp_path}/evil")
    made.on_outage(driven.session, opened(evil))
    wait_for(driven, made)
    assert (tmp_path / "kind").read_text().startswith("$(touch")
    assert not (tmp_path / "evil").exists()


# ---- commands that behave badly


def is_gone(process: int) -> bool:
    """Tell whether a process has ended, which takes a moment."""
    due_s = time.monotonic() + SAFETY_S
    while time.monotonic() < due_s:
        try:
            group = os.getpgid(process)
        except ProcessLookupError:
            return True
        if not runs_in_group(group):  # ended, and nobody has asked how
            return True
        time.sleep(0.01)
    return False


@pytest.mark.skipif(sys.platform != "linux", reason="looks into the table of processes")
def test_a_process_that_has_ended_runs_no_more_though_nobody_has_asked_how() -> None:
    child = subprocess.Popen(f"exec sleep {SAFETY_S:.0f}", shell=True, start_new_session=True)
    group = os.getpgid(child.pid)
    assert runs_in_group(group)
    child.kill()
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)  # it stays in the table
    os.killpg(group, 0)
    assert not runs_in_group(group)
    child.wait()


def test_a_command_that_floods_is_held_up_and_not_the_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    driven = drive(tmp_path)
    made = hooks(driven, on_outage="yes | head -c 3000000; echo the end; exit 4")
    made.on_outage(driven.session, opened())
    before = set(tmp_path.iterdir())
    source = made._runs[0].said._from
    assert source is not None
    assert not os.get_blocking(source)
    reads: list[int] = []
    read = os.read

    def counted(descriptor: int, size: int) -> bytes:
        data = read(descriptor, size)
        reads.append(len(data))
        return data

    monkeypatch.setattr(os, "read", counted)
    looks: list[list[int]] = []
    due_s = time.monotonic() + SAFETY_S
    while made.running:
        driven.take(item(5.0))
        looks.append(reads.copy())
        reads.clear()
        assert time.monotonic() < due_s
    monkeypatch.undo()
    # A look never waits, and takes no more than its share however much there is.
    assert max(len(look) for look in looks) <= module._MOST_READS
    assert max(sum(look) for look in looks) <= module._MOST_READS * module._READ_BYTES
    assert sum(sum(look) for look in looks) > 3_000_000
    (event,) = driven.kept.of("command")
    assert event.text.startswith("--on-outage failed: exit 4, ")
    assert event.text.endswith(" y y the end")
    assert len(event.text) < 400
    assert set(tmp_path.iterdir()) == before


@pytest.mark.slow
def test_what_a_command_leaves_running_is_ended_after_a_minute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LONGEST_S", 6.0)
    driven = drive(tmp_path).take(item(4))
    made = hooks(driven, on_outage=f"sleep 300 & echo $! > {tmp_path}/child")
    made.on_outage(driven.session, opened())
    driven.take(item(5))  # the first look: its time runs from here
    child = tmp_path / "child"
    due_s = time.monotonic() + SAFETY_S
    while made._runs[0].process.returncode is None:  # the shell itself ends at once
        driven.take(item(5))
        time.sleep(0.01)
        assert time.monotonic() < due_s
    assert made.running == 1
    driven.take(item(12))
    wait_for(driven, made, 12)
    (event,) = driven.kept.of("command")
    assert event.text == "--on-outage was ended: what it had started ran longer than 6 s"
    assert is_gone(int(child.read_text()))


@pytest.mark.slow
def test_a_command_that_goes_on_in_the_background_for_a_moment_is_nothing_to_tell(
    tmp_path: Path,
) -> None:
    driven = drive(tmp_path)
    made = hooks(driven, on_outage=f"(sleep 0.1; echo late > {tmp_path}/late) &")
    made.on_outage(driven.session, opened())
    wait_for(driven, made)
    assert (tmp_path / "late").read_text() == "late\n"
    assert not driven.kept.of("command")


def test_a_password_of_a_caster_is_not_handed_to_commands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RTCMTOOL_NTRIP_PASSWORD", "sesame-open")
    monkeypatch.setenv("RTCMTOOL_NTRIP_USER", "crew")
    monkeypatch.setenv("HOME_OF_CREW", "quarry")
    driven = drive(tmp_path)
    made = hooks(driven, on_outage=f"env > {tmp_path}/facts")
    made.on_outage(driven.session, opened())
    wait_for(driven, made)
    facts = (tmp_path / "facts").read_text()
    assert "HOME_OF_CREW=quarry" in facts
    assert "sesame-open" not in facts
    assert "RTCMTOOL_NTRIP" not in facts


def test_nothing_is_left_open_after_many_commands(tmp_path: Path) -> None:
    driven = drive(tmp_path)
    made = hooks(driven, on_outage="echo a", on_recovery="echo b")
    gc.collect()  # what earlier tests have left
    open_before = len(list(Path("/dev/fd").iterdir()))
    for _ in range(10):
        made.on_outage(driven.session, opened())
        made.on_outage(driven.session, closed())
        wait_for(driven, made)
    # Fewer, where a thread of an earlier test has ended meanwhile.
    assert len(list(Path("/dev/fd").iterdir())) <= open_before
