from dataclasses import replace
from pathlib import Path

import pytest

from rtcmtool.errors import SourceError, UsageError
from rtcmtool.gnss import geodesy
from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.builtin_scenarios import SCENARIOS, builtin_scenario
from rtcmtool.simulation.faults import make_fault
from rtcmtool.simulation.scenario import Base, Scenario, Typed
from rtcmtool.simulation.scenario_file import parse_scenario, read_scenario
from rtcmtool.simulation.sent_position import mark_ecef_m, sent_position, true_arp_ecef_m

WHOLE = """
name = "yard"
text = "our yard"
start = 2026-03-04T08:00:00Z
duration_s = 120
seed = 9
listen_at = "base"
[site]
name = "Mill Yard"
crew = "two"
[base]
latitude_deg = -12.5
longitude_deg = 131.25
ellipsoidal_height_m = 60
antenna_height_m = 1.8
clock = "jumping"
[typed]
antenna_height_m = 0
[stream]
station = 7
glonass_biases_m = [0.0, 0.1, 0.2, 0.3]
[stream.signals]
G = ["1C", "5Q"]
[stream.messages]
"1005" = 5
"1077" = 1
"1124" = 2
[radio]
rate_bit_s = 9600
repeater = true
[radio.path]
distance_km = 4
[rover]
east_m = 10
families = ["legacy"]
[[faults]]
kind = "wrong-mark"
start_s = 30
severity = [1, 2, 3]
[[faults]]
kind = "silence"
start_s = 60
length_s = 14
"""


def test_a_whole_file_is_read() -> None:
    scenario = parse_scenario(WHOLE)
    assert scenario.name == "yard"
    assert gnss_time.iso_utc(scenario.start_utc_ns, 0) == "2026-03-04T08:00:00Z"
    assert scenario.base.clock == "jumping"
    assert scenario.typed.antenna_height_m == 0.0
    assert dict(scenario.stream.messages) == {1005: 5.0, 1077: 1.0, 1124: 2.0}
    assert scenario.stream.systems == "GC"
    assert scenario.stream.signals["G"] == ("1C", "5Q")
    assert scenario.radio.path is not None
    assert scenario.radio.path.distance_km == 4.0
    assert scenario.rover is not None
    assert scenario.rover.families == ("legacy",)
    assert [str(fault) for fault in scenario.faults] == ["wrong-mark@30s:1,2,3", "silence@60s+14s"]


def test_an_empty_file_is_the_healthy_base() -> None:
    assert parse_scenario("") == Scenario()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("duratoin_s = 3", "'duratoin_s'. Did you mean 'duration_s'?"),
        ("start_utc_ns = 3", "there is no key 'start_utc_ns'"),
        ("start = 3", "start = 3 is impossible"),
        ('start = "then"', "start = 'then' is impossible"),
        ("start = 1999-01-01T00:00:00Z", "is impossible"),
        ("duration_s = 0", "duration_s = 0.0 is impossible"),
        ("seed = 1.5", "seed = 1.5 is impossible"),
        ("seed = -1", "seed = -1 is impossible"),
        ("base = 3", "base = 3 is impossible"),
        ("[base]\nlatitude = 3", "there is no key 'base.latitude'"),
        ("[base]\nlatitude_deg = 91", "base.latitude_deg = 91.0 is impossible"),
        ('[base]\nlatitude_deg = "45"', "base.latitude_deg = '45' is impossible"),
        ("[stream]\nstation = 4096", "stream.station = 4096 is impossible"),
        ("[stream]\nantenna = 3", "stream.antenna = 3 is impossible"),
        ('[stream.messages]\n"1005" = 5', "holds no observation message"),
        ('[stream.messages]\n"1071x" = 5', "there is no message"),
        ('[stream.messages]\n"4050" = 5', "stream.messages.4050"),
        ('[stream.messages]\n"1074" = 0', "stream.messages.1074 = 0.0 is impossible"),
        ("[stream.signals]\nG = []", "stream.signals.G"),
        ("[stream.signals]\nX = ['1C']", "stream.signals"),
        ("[radio]\nrepeater = 1", "radio.repeater = 1 is impossible"),
        ("[radio.path]\ndistance_km = 0", "radio.path.distance_km = 0.0 is impossible"),
        ("[rover]\nfamilies = ['other']", "rover.families"),
        ("[[faults]]\nkind = 'late'\nseverity = [1, 2]", "faults[1].severity"),
        ("[[faults]]\nkind = 'late'\nwhen = 2", "there is no key 'faults[1].when'"),
        ("[[faults]]\nkind = 3", "faults[1].kind = 3 is impossible"),
        ("[[faults]]\nkind = 'nothing'", "there is no fault 'nothing'"),
    ],
)
def test_an_impossible_file_is_refused_by_the_name_of_the_key(text: str, words: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_scenario(text)
    assert words in str(caught.value)


def test_a_file_that_is_missing_or_no_toml_is_told_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="cannot be read"):
        read_scenario(tmp_path / "none.toml")
    path = tmp_path / "bad.toml"
    path.write_text("[base\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"bad\.toml is no TOML"):
        read_scenario(path)
    path.write_text("[base]\nmask_deg = 80\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"bad\.toml: base.mask_deg = 80.0"):
        read_scenario(path)


def test_the_scenarios_promised_to_the_crew_are_there() -> None:
    promised = (
        "healthy no-position wrong-height wrong-mark weak-radio busy-channel too-much two-bases "
        "restart one-band no-bias dead-battery noisy-site clock-off"
    )
    assert set(promised.split()) <= set(SCENARIOS)
    assert all(scenario.text for scenario in SCENARIOS.values())
    with pytest.raises(UsageError, match="Did you mean 'healthy'"):
        builtin_scenario("helthy")


@pytest.mark.parametrize(
    ("kind", "severity", "plan_m", "up_m"),
    [
        ("wrong-mark", (3.0, 4.0, 0.5), 5.0, 0.5),
        ("wrong-height", None, 0.0, -1.652),
        ("wrong-height", 2.0, 0.0, 0.348),
        ("height-in-feet", None, 0.0, 1.652 / 0.3048 - 1.652),
        # sqrt((1.652 + 0.042)^2 + 0.0921^2) - 1.652, by hand
        ("slant-as-vertical", None, 0.0, 0.0445),
        # a degree of latitude at 45.7 N: 111 143 m by the meridian radius there
        ("degree-off", None, 111_143.0, None),
    ],
)
def test_what_is_typed_wrong_moves_the_position_sent(
    kind: str, severity: object, plan_m: float, up_m: float | None
) -> None:
    scenario = Scenario()
    fault = make_fault(kind, severity=severity)  # type: ignore[arg-type]  # parametrised
    right, wrong = sent_position(scenario, {}), sent_position(scenario, {kind: fault})
    assert right.arp_ecef_m == pytest.approx(true_arp_ecef_m(scenario), abs=1e-9)
    moved = geodesy.enu_from_ecef(wrong.arp_ecef_m - right.arp_ecef_m, right.arp_ecef_m)
    plan = float((moved[0] ** 2 + moved[1] ** 2) ** 0.5)
    assert plan == pytest.approx(plan_m, rel=2e-4, abs=1e-6)
    if up_m is not None:
        assert moved[2] == pytest.approx(up_m, abs=5e-5)


def test_a_swapped_sign_mirrors_the_longitude() -> None:
    scenario = Scenario()
    sent = sent_position(scenario, {"sign-swapped": make_fault("sign-swapped")})
    latitude, longitude, _ = geodesy.degrees_from_ecef(sent.arp_ecef_m)
    assert (latitude, longitude) == pytest.approx(
        (scenario.base.latitude_deg, -scenario.base.longitude_deg), abs=1e-9
    )


def test_a_new_average_is_off_by_what_was_asked_for_and_the_same_every_time() -> None:
    scenario, active = Scenario(), {"new-average": make_fault("new-average", 60.0, severity=1.5)}
    first, second = (sent_position(scenario, active).arp_ecef_m for _ in range(2))
    assert (first == second).all()
    distance = geodesy.distance_m(first, true_arp_ecef_m(scenario))
    assert float(distance) == pytest.approx(1.5, abs=1e-6)


def test_typed_values_count_where_they_are_given() -> None:
    scenario = replace(Scenario(), base=Base(antenna_height_m=1.5), typed=Typed(antenna_height_m=0))
    sent = sent_position(scenario, {})
    assert sent.antenna_height_m == 0.0
    assert sent.arp_ecef_m == pytest.approx(mark_ecef_m(scenario), abs=1e-9)
