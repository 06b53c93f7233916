"""`check`: the verdict as a screen and as a document, its options and exit codes."""

import io
from collections.abc import Callable
from pathlib import Path

import pytest

from rtcmtool.diagnosis.rule_table import RULES
from tests.cli.conftest import Runner
from tests.monitor.test_base_station import moved
from tests.strategies import TEXT
from tests.streams import (
    DAY,
    Sent,
    base_stream,
    damaged,
    data_of,
    every,
    merged,
    observed,
    position,
    without,
)
from tests.views.test_verdict_json import DOCUMENT, RULE

Write = Callable[..., Path]
Golden = Callable[[str, str], None]


@pytest.fixture
def broken(write: Write) -> Path:
    """Give a base that moved, lost frames and sends no bias."""
    extras = (every(position(), 60, 10), [Sent(40, 1006, position(moved(0.35)))])
    stream = base_stream(60, extras=extras)
    return write(data_of(damaged(stream, *range(20, 240, 13))), "broken.rtcm3")


@pytest.fixture
def silent(write: Write) -> Path:
    """Give observations without a position, too short to be sure."""
    return write(data_of(base_stream(40, extras=())), "silent.rtcm3")


def states(run: Runner, *arguments: object) -> dict[str, str]:
    """Give the states by rule."""
    return {
        rule["rule"]: rule["state"] for rule in run("check", *arguments, "--json").json["rules"]
    }


@pytest.mark.parametrize(
    ("name", "word", "code"),
    [("healthy", "go", 0), ("broken", "no-go", 1), ("silent", "cannot-tell", 1)],
)
def test_the_verdict_is_said_first_and_told_by_the_exit_code(
    run: Runner, request: pytest.FixtureRequest, name: str, word: str, code: int
) -> None:
    path = request.getfixturevalue(name)
    done = run("check", path)
    assert done.code == code
    assert done.lines[0].startswith(word.upper().replace("CANNOT-TELL", "CANNOT TELL") + " - ")
    document = run("check", path, "--json").json
    assert (document["verdict"], document["exit_code"]) == (word, code)


def test_the_document_has_exactly_the_keys_of_the_contract(run: Runner, broken: Path) -> None:
    done = run("check", broken, "--json")
    assert done.err == ""
    assert list(done.json) == DOCUMENT
    assert [list(rule) for rule in done.json["rules"]] == [RULE] * len(RULES)
    assert (done.json["source"], done.json["site"], done.json["at"]) == (str(broken), None, "base")
    assert done.json["seconds"] == 59.0


@pytest.mark.parametrize("width", [20, 40, 59, 60, 80, 120, 200])
@pytest.mark.parametrize("name", ["healthy", "broken", "silent"])
def test_no_line_is_wider_than_the_screen(
    run: Runner,
    request: pytest.FixtureRequest,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    width: int,
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    path = Path(request.getfixturevalue(name))
    monkeypatch.chdir(path.parent)
    for more in ((), ("-v",), ("--at", "rover", "--radio-rate", "4800", "--systems", "GPS,QZS")):
        lines = run("check", path.name, *more).lines
        assert max(map(len, lines)) <= width


@pytest.mark.parametrize("columns", ["", "0", "-3", "abc", "1"])
def test_a_strange_number_of_columns_does_no_harm(
    run: Runner, healthy: Path, monkeypatch: pytest.MonkeyPatch, columns: str
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert run("check", healthy).out.startswith("GO - ")


@pytest.mark.parametrize("name", ["healthy", "broken", "silent"])
@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_screens_are_those_agreed(
    run: Runner,
    request: pytest.FixtureRequest,
    monkeypatch: pytest.MonkeyPatch,
    golden: Golden,
    name: str,
    width: int,
) -> None:
    path = Path(request.getfixturevalue(name))
    monkeypatch.chdir(path.parent)
    monkeypatch.setenv("COLUMNS", str(width))
    golden(f"check-{name}-{width}.txt", run("check", path.name, "--date", DAY).out)


@pytest.mark.parametrize(("rate", "state"), [(38_400, "ok"), (9600, "watch"), (4800, "bad")])
def test_a_radio_rate_makes_air_time_count(
    run: Runner, healthy: Path, rate: int, state: str
) -> None:
    assert states(run, healthy, "--radio-rate", rate)["air_time"] == state
    assert run("check", healthy, "--radio-rate", rate).code == (1 if state == "bad" else 0)


def test_an_overhead_counts_too(run: Runner, healthy: Path) -> None:
    told = states(run, healthy, "--radio-rate", 9600, "--overhead", 2)
    assert told["air_time"] == "bad"


@pytest.mark.parametrize(
    ("systems", "state"), [("GPS,GAL", "ok"), ("gps qzs", "watch"), ("QZS", "bad")]
)
def test_the_systems_of_the_rover_count(
    run: Runner, healthy: Path, systems: str, state: str
) -> None:
    assert states(run, healthy, "--systems", systems)["rover_can_use"] == state


def test_strict_makes_a_watch_a_no_go(run: Runner, healthy: Path) -> None:
    arguments = ("check", healthy, "--radio-rate", 9600)
    assert run(*arguments).code == 0
    strict = run(*arguments, "--strict")
    assert strict.code == 1
    assert strict.lines[0] == "NO-GO - do not leave yet: 1 fault" + " " * 39 + "base 417"


def test_where_we_listen_changes_the_advice_and_nothing_else(run: Runner, broken: Path) -> None:
    base, rover = (run("check", broken, "--at", at, "--json").json for at in ("base", "rover"))
    assert (base["at"], rover["at"]) == ("base", "rover")
    told = [{rule["rule"]: rule for rule in document["rules"]} for document in (base, rover)]
    assert "cable or port" in told[0]["frames_whole"]["action"]
    assert "radio path" in told[1]["frames_whole"]["action"]
    for name in RULES:
        assert told[0][name]["state"] == told[1][name]["state"]
        assert told[0][name]["limit"] == told[1][name]["limit"]
    assert "radio path to rover" in run("check", broken).out
    assert "radio path to rover" not in run("check", broken, "--at", "rover").out


def test_one_station_is_judged_as_if_it_were_alone(run: Runner, write: Write) -> None:
    other = base_stream(60, station=12, numbers=(1074,), satellites={"GPS": 4})
    path = write(data_of(merged(other, base_stream(60))))
    assert states(run, path)["one_base"] == "bad"
    assert run("check", path, "--station", 417).code == 0
    assert states(run, path, "--station", 12)["satellites_enough"] == "bad"
    assert run("check", path, "--station", 99).code == 1


def test_a_date_dates_what_is_told(run: Runner, broken: Path) -> None:
    rules = run("check", broken, "--date", DAY, "--json").json["rules"]
    since = {rule["rule"]: rule["since"] for rule in rules}
    assert since["position_steady"] == "2026-03-04T07:00:21Z"
    assert run("check", broken, "--date", DAY).lines[0].endswith("base 417   2026-03-04 07:00 UTC")


def test_verbose_tells_where_each_limit_comes_from(run: Runner, healthy: Path) -> None:
    assert "basis EPN availability" in run("check", healthy, "-v").out


@pytest.mark.parametrize("way", [(), ("--json",)])
def test_the_product_can_go_to_a_file(
    run: Runner, healthy: Path, tmp_path: Path, way: tuple[str, ...]
) -> None:
    path = tmp_path / "made.txt"
    done = run("check", healthy, *way, "-o", path)
    assert (done.code, done.out) == (0, "")
    assert path.read_text(encoding="utf-8") == run("check", healthy, *way).out


def test_standard_input_can_be_judged(
    run: Runner, healthy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Input:
        buffer = io.BytesIO(healthy.read_bytes())

    monkeypatch.setattr("sys.stdin", Input())
    done = run("check", "-", "--json")
    assert (done.code, done.json["source"]) == (0, "standard input")


def test_the_next_step_is_named(
    run: Runner, healthy: Path, broken: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")  # a path may be longer than a screen of 80
    assert any(line.startswith("Next  shoot a check point") for line in run("check", healthy).lines)
    words = " ".join(run("check", broken).out.split())
    assert f"Next see what came: rtcmtool decode {broken} --summary" in words


@pytest.mark.parametrize("name", ["healthy", "broken", "silent"])
def test_every_unknown_rule_is_named_or_counted_in_the_first_lines(
    run: Runner, request: pytest.FixtureRequest, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    path = request.getfixturevalue(name)
    document = run("check", path, "--json").json
    unknown = [rule for rule in document["rules"] if rule["state"] == "unknown"]
    first = run("check", path).lines[0]
    if document["verdict"] == "no-go":
        return
    named = [rule for rule in unknown if RULES[rule["rule"]].printed in first]
    assert {rule["rule"] for rule in named} >= {r["rule"] for r in unknown if r["essential"]}
    if len(unknown) > len(named):
        assert f"and {len(unknown) - len(named)} more" in first


def test_nothing_but_texts_is_a_no_go(run: Runner, write: Write) -> None:
    document = run("check", write(TEXT * 30), "--json").json
    assert document["verdict"] == "no-go"


def test_a_position_of_zeros_is_a_no_go(run: Runner, write: Write) -> None:
    stream = base_stream(60, extras=(every(position((0.0, 0.0, 0.0)), 60, 10),))
    done = run("check", write(data_of(stream)))
    assert done.code == 1
    assert "all coordinates are zero" in done.out


def test_a_lost_system_is_told(run: Runner, write: Write) -> None:
    stream = without(base_stream(200), lambda s: s.number == 1094 and s.epoch > 60)
    assert states(run, write(data_of(stream)))["systems_steady"] == "bad"


@pytest.mark.parametrize("content", [b"", b"just a note\n", b"\x00" * 5000])
def test_without_a_frame_the_document_is_there_all_the_same(
    run: Runner, write: Write, content: bytes
) -> None:
    done = run("check", write(content), "--json")
    assert done.code == 4
    assert (done.json["verdict"], done.json["exit_code"]) == ("no-go", 4)
    assert list(done.json) == DOCUMENT
    assert not [r for r in done.json["rules"] if r["state"] == "ok" and r["rule"] == "bytes_arrive"]
    assert done.err.startswith("rtcmtool: ")


def test_of_a_missing_file_the_document_says_that_nothing_can_be_told(
    run: Runner, tmp_path: Path
) -> None:
    done = run("check", tmp_path / "none.rtcm3", "--json")
    assert done.code == 3
    assert (done.json["verdict"], done.json["exit_code"]) == ("cannot-tell", 3)
    assert not [rule for rule in done.json["rules"] if rule["state"] == "ok"]


def test_a_cut_last_frame_is_not_held_against_the_base(run: Runner, write: Write) -> None:
    data = data_of(base_stream(60))
    assert run("check", write(data[:-30])).code == 0


def test_legacy_observations_will_do(run: Runner, write: Write) -> None:
    path = write(data_of(base_stream(60, numbers=(1004, 1012))))
    assert run("check", path).code == 0


@pytest.mark.open_data
@pytest.mark.slow
def test_a_recording_of_a_station_without_position_is_a_no_go(run: Runner, open_data: Path) -> None:
    done = run("check", open_data / "static-msm5.rtcm3", "--json")
    assert done.code == 1
    assert done.json["verdict"] == "no-go"
    rules = {rule["rule"]: rule for rule in done.json["rules"]}
    assert rules["position_sent"]["state"] == "bad"
    assert rules["position_sent"]["text"].startswith("none in 45 min")
    for healthy in (
        "frames_whole",
        "epochs_complete",
        "observations_usable",
        "two_bands",
        "one_base",
    ):
        assert rules[healthy]["state"] == "ok"
    assert rules["satellites_enough"]["values"] == {"GPS": 9, "GLO": 6, "GAL": 10}


@pytest.mark.open_data
@pytest.mark.slow
def test_a_recording_without_observations_is_a_no_go(run: Runner, open_data: Path) -> None:
    done = run("check", open_data / "ephemerides-ssr.rtcm3", "--json")
    assert done.json["verdict"] == "no-go"
    rules = {rule["rule"]: rule["state"] for rule in done.json["rules"]}
    assert rules["observations_usable"] == "bad"


def test_a_single_epoch_cannot_be_told(run: Runner, write: Write) -> None:
    done = run("check", write(data_of(observed(1074, 1))), "--json")
    assert (done.code, done.json["verdict"]) == (1, "cannot-tell")
