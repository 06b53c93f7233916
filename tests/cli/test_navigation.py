"""Orbits from a file for `check`, `watch` and `diagnose`: read, used, or refused in words."""

from argparse import Namespace
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rtcmtool.cli.navigation import state_maker
from rtcmtool.diagnosis.causes import Cause, look_for
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.diagnosis import CAUSE_FACTS
from rtcmtool.diagnosis.evidence_gathering import gather
from rtcmtool.diagnosis.evidence_link import LinkRecord
from rtcmtool.diagnosis.live_verdict import LiveJudge
from rtcmtool.gnss.ephemerides import Ephemeris
from rtcmtool.gnss.time import gps_ms_from_date, utc_ns_from_gps_ms
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.simulation.faults import make_fault
from rtcmtool.simulation.run import Port, Simulation
from rtcmtool.simulation.scenario import EPHEMERIS_MESSAGES, Scenario
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.cli.conftest import Run, Runner
from tests.cli.listening_time import ListeningTime
from tests.cli.servers import address
from tests.diagnosis.simulated_faults import heard, playing
from tests.recorded_base import DATE, recorded_stream
from tests.sources.conftest import Server

CAPTURE = Path(__file__).parents[2] / "captures" / "healthy.rtcm3"


def test_a_file_that_is_no_navigation_file_is_refused(run: Runner, tmp_path: Path) -> None:
    other = tmp_path / "notes.txt"
    other.write_text("nothing of orbits\n", encoding="utf-8")
    done = run("check", CAPTURE, "--navigation", other)
    assert done.code == 2
    assert "cannot be used for orbits" in done.err
    assert "  do " in done.err


def test_a_missing_navigation_file_is_a_source_that_cannot_be_opened(
    run: Runner, tmp_path: Path
) -> None:
    done = run("check", CAPTURE, "--navigation", tmp_path / "none.rnx")
    assert done.code == 3
    assert "cannot be read" in done.err


def test_a_navigation_file_without_records_is_refused(run: Runner, tmp_path: Path) -> None:
    head = f"{'     3.04':20}{'N: GNSS NAV DATA':20}{'M: Mixed':20}RINEX VERSION / TYPE\n"
    empty = tmp_path / "empty.rnx"
    empty.write_text(head + " " * 60 + "END OF HEADER\n", encoding="ascii")
    done = run("check", CAPTURE, "--navigation", empty)
    assert done.code == 2
    assert "holds no orbit" in done.err


@pytest.mark.open_data
def test_orbits_of_another_day_judge_nothing(run: Runner, open_data: Path) -> None:
    done = run(
        "check", open_data / "static-msm5.rtcm3", "--date", "2021-03-19", "--json",
        "--navigation", open_data / "pair-navigation.rnx",
    )  # fmt: skip
    rules = {rule["rule"]: rule for rule in done.json["rules"]}
    assert rules["geometry"]["state"] == "unknown"
    assert rules["position_matches_code"]["state"] == "unknown"


# ---- the recorded static base, sent as RTCM 3 without orbits: 15 min in steps of 10 s

JUDGED = ("geometry", "position_matches_code")


@pytest.fixture(scope="module")
def recorded(open_data: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("recorded") / "base.rtcm3"
    path.write_bytes(recorded_stream(open_data, 90, 10))
    return path


def judged(done: Run) -> dict[str, tuple[str, float | None]]:
    rules = {rule["rule"]: rule for rule in done.json["rules"]}
    return {name: (rules[name]["state"], rules[name]["value"]) for name in JUDGED}


@pytest.fixture(scope="module")
def orbits(open_data: Path) -> tuple[str, ...]:
    return "--navigation", str(open_data / "static-1hz-navigation.rnx"), "--date", DATE


@pytest.mark.open_data
def test_a_navigation_file_judges_position_and_geometry_of_a_stream_without_orbits(
    run: Runner, recorded: Path, orbits: tuple[str, ...]
) -> None:
    without = judged(run("check", recorded, "--date", DATE, "--json"))
    assert without == dict.fromkeys(JUDGED, ("unknown", None))
    found = judged(run("check", recorded, *orbits, "--json"))
    state, plan_m = found["position_matches_code"]
    # The header of the recording is right to centimetres; tolerance of a code mean: 1.5 m.
    assert state == "ok"
    assert plan_m is not None
    assert plan_m < 1.5
    assert found["geometry"][0] == "ok"
    assert judged(run("diagnose", recorded, *orbits, "--json")) == found


@pytest.mark.open_data
@pytest.mark.slow
@pytest.mark.parametrize("command", ["check", "diagnose"])
def test_the_same_orbits_serve_a_live_source(
    run: Runner,
    recorded: Path,
    orbits: tuple[str, ...],
    serve: Callable[..., Server],
    listening_time: ListeningTime,
    command: str,
) -> None:
    expected = judged(run("check", recorded, *orbits, "--json"))
    server = serve(listening_time.sends(recorded.read_bytes()))
    live = run(command, address(server), *orbits, "--duration", "2s", "--json")
    assert judged(live) == expected


@pytest.mark.open_data
def test_the_same_orbits_serve_the_state_that_watch_judges(
    run: Runner, recorded: Path, orbits: tuple[str, ...]
) -> None:
    expected = judged(run("check", recorded, *orbits, "--json"))
    state = state_maker(Namespace(navigation=Path(orbits[1]), quiet=True))(station=None)
    at_s, begin_ns = 0.0, utc_ns_from_gps_ms(gps_ms_from_date(2021, 3, 19, 12, 0, 0.0))
    live = LiveState(begin_ns, at_s, state=state)
    data = recorded.read_bytes()
    for piece in (data[at : at + 4096] for at in range(0, len(data), 4096)):
        at_s += 10.0
        live.feed(piece, begin_ns + round(at_s * 1e9), at_s)
    verdict = LiveJudge(Context.for_site(live.state, None, live=True)).judge(live)
    found = {f.rule.name: (f.state.value, f.value) for f in verdict.findings}
    assert {name: found[name] for name in JUDGED} == expected


def test_watch_reads_the_file_that_is_named(run: Runner, tmp_path: Path) -> None:
    gone = tmp_path / "none.rnx"
    for source in ("tcp://127.0.0.1:9", CAPTURE):
        done = run("watch", source, "--plain", "--navigation", gone)
        assert done.code == 3
        assert f"{gone} cannot be read" in done.err


@pytest.mark.open_data
@pytest.mark.slow
def test_the_same_orbits_serve_a_replay(
    run: Runner, recorded: Path, orbits: tuple[str, ...]
) -> None:
    def last_bad_unknown(*more: str) -> set[str]:
        done = run("replay", recorded, "--date", DATE, "--speed", "max", "--json", *more)
        return set(done.json_lines[-1]["unknown"])

    assert {"position_matches_code", "geometry"} <= last_bad_unknown()
    assert not {"position_matches_code", "geometry"} & last_bad_unknown(*orbits[:2])


@pytest.mark.slow
def test_obstructions_of_the_base_are_seen_by_its_own_orbits_or_by_those_of_a_file() -> None:
    # No rover is shown: only orbits tell which satellites the base should send.
    later = playing(make_fault("blocked-sky", 60.0, severity=60.0), duration_s=320.0)
    assert unsent(few_satellites(later, None))
    # A base sends the orbits of what it tracks: what was never seen is known from a file alone.
    never = playing(make_fault("blocked-sky", severity=60.0))
    bare = {n: s for n, s in never.stream.messages.items() if n not in EPHEMERIS_MESSAGES}
    silent = replace(never, stream=replace(never.stream, messages=bare))
    assert not unsent(few_satellites(silent, None))
    known, _ = heard(list(Simulation(playing()).pieces()), Port.BASE)
    records = [r for every in known.quality.fix.store.by_satellite.values() for r in every]
    assert unsent(few_satellites(silent, records))


def unsent(cause: Cause) -> bool:
    return any("above the mask are not sent" in text for text in cause.evidence)


def few_satellites(scenario: Scenario, navigation: list[Ephemeris] | None) -> Cause:
    own = [piece for piece in Simulation(scenario).pieces() if piece.port is Port.BASE]
    decoder, record = StreamDecoder(), LinkRecord()
    state = StreamState(navigation=navigation or ())
    lengths = np.cumsum([0, *(len(piece.data) for piece in own)])[:-1]
    arrivals = np.array([piece.utc_ns for piece in own], np.int64)
    chunk = Chunk(b"".join(piece.data for piece in own), arrivals, lengths)
    for batch in (decoder.feed(chunk), decoder.finish()):
        state.update(batch)
        record.update(batch)
    state.finish()
    evidence = gather(Context.for_site(state, None), record, heard_at="base")
    return look_for(CAUSE_FACTS["few_satellites"], evidence)
