"""Limits of the site sheet: each rule that has one takes it, and shows that it did."""

from dataclasses import replace

import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.earlier_captures import EarlierBase
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.sheet_parsing import parse_sheet
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from rtcmtool.errors import UsageError
from rtcmtool.gnss.geodesy import degrees_from_ecef
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.simulation.builtin_scenarios import SCENARIOS
from rtcmtool.simulation.run import simulate
from tests.diagnosis.judging import BAD, OK, WATCH, found
from tests.streams import ARP_M, base_stream, every, merged, observed, position, state_of_chunks

# From the contract's table: rules whose limits are numbers; the rest is judged by yes and no.
WITHOUT_NUMBERS = {
    "observations_usable", "position_on_earth", "antenna_named", "announced_messages",
    "rover_can_use",
}  # fmt: skip
WITH_LIMITS = [name for name in RULES if name not in WITHOUT_NUMBERS]
GROWING = {"epochs_complete", "two_bands", "satellites_enough", "epoch_closed", "signal_strength"}


def changed(name: str) -> list[str]:
    """Give lines that ease the limits of a rule: what is ok stays ok."""
    rule = RULES[name]
    factor = (0.8, 0.5) if name in GROWING else (1.5, 4.0)
    more = 0.0 if name in GROWING else 1.0
    limits = {name: (rule.ok, factor[0], more), f"{name}_bad": (rule.bad, factor[1], 2 * more)}
    return [f"{key} = {ok * by + add!r}" for key, (ok, by, add) in limits.items() if ok is not None]


@pytest.fixture(scope="module")
def healthy() -> StreamState:
    """Give seven minutes of a healthy base."""
    return state_of_chunks(simulate(replace(SCENARIOS["healthy"], duration_s=420.0)))


@pytest.mark.slow
@pytest.mark.parametrize("name", WITH_LIMITS)
def test_a_changed_limit_is_in_force_and_shown(name: str, healthy: StreamState) -> None:
    (station,) = healthy.base.stations.values()
    sent = station.latest_position
    assert sent is not None
    x, y, z = sent.arp_ecef_m
    latitude, longitude, height_m = degrees_from_ecef((x, y, z))
    antenna_m = sent.antenna_height_m or 0.0
    told = (
        f"[position]\nlatitude_deg={latitude!r}\nlongitude_deg={longitude!r}\n"
        f"ellipsoidal_height_m={height_m - antenna_m!r}\n[antenna]\nheight_m={antenna_m}\n"
        "[radio]\nrate_bit_s=19200\n[limits]\n"
    )
    before, after = (
        RULE_FUNCTIONS[name](
            Context.for_site(healthy, parse_sheet(told + "\n".join(lines)), clock_trusted=True,
                             earlier=(EarlierBase("mon", None, sent),))
        )
        for lines in ([], changed(name))
    )  # fmt: skip
    assert before.state is after.state is State.OK
    assert after.rule.basis == f"site sheet; {RULES[name].basis}"
    assert before.rule.basis == RULES[name].basis
    assert before.limit != after.limit
    shown = name != "bytes_arrive"  # whose limit is of a silence that is not there
    assert (before.limit_text != after.limit_text) is shown


@pytest.mark.parametrize("name", WITH_LIMITS)
@pytest.mark.parametrize("ending", ["", "_bad"])
def test_every_limit_of_the_contract_is_a_key_and_no_other(name: str, ending: str) -> None:
    limit = RULES[name].bad if ending else RULES[name].ok
    text = f"[limits]\n{name}{ending} = {limit if limit is not None else 1.0}"
    if limit is None:
        with pytest.raises(UsageError, match=f"line 2: there is no key 'limits.{name}{ending}'"):
            parse_sheet(text)
    else:
        assert dict(parse_sheet(text).limits) == {f"{name}{ending}": limit}


@pytest.mark.parametrize("name", sorted(WITHOUT_NUMBERS))
def test_a_rule_of_yes_and_no_has_no_limit_to_change(name: str) -> None:
    with pytest.raises(UsageError, match=r"there is no key 'limits\.") as refused:
        parse_sheet(f"[limits]\n{name} = 1")
    assert "judged without a number" in (refused.value.why or "")
    assert refused.value.do


@pytest.mark.parametrize("name", [name for name, rule in RULES.items() if rule.below])
def test_nothing_can_be_below_zero(name: str) -> None:
    with pytest.raises(UsageError, match=rf"line 2: limits\.{name} = 0 is impossible"):
        parse_sheet(f"[limits]\n{name} = 0")


@pytest.mark.parametrize(
    ("name", "ok", "bad"),
    [("two_bands", 4, 8), ("one_base", 2, 1), ("position_steady", 0.1, 0.01),
     ("epochs_complete", 80, 90), ("geometry", 6, 3)],
)  # fmt: skip
def test_the_good_limit_stands_on_its_own_side(name: str, ok: float, bad: float) -> None:
    with pytest.raises(UsageError, match="contradict each other"):
        parse_sheet(f"[limits]\n{name} = {ok}\n{name}_bad = {bad}")
    assert len(parse_sheet(f"[limits]\n{name} = {bad}\n{name}_bad = {ok}").limits) == 2


@pytest.mark.parametrize(("ok", "bad", "state"), [(1, 1, BAD), (1, 2, WATCH), (2, 2, OK)])
def test_a_channel_of_two_bases_can_be_allowed(ok: int, bad: int, state: State) -> None:
    stream = merged(base_stream(30), observed(1074, 30, station=88))
    finding = found("one_base", stream, limits={"one_base": ok, "one_base_bad": bad})
    assert (finding.state, finding.value) == (state, 2.0)


@pytest.mark.parametrize(("ok_m", "bad_m", "state"), [(1e-4, 1e-4, BAD), (0.01, 0.1, WATCH),
                                                      (0.06, 0.1, OK)])  # fmt: skip
def test_how_far_a_position_may_move_can_be_changed(
    ok_m: float, bad_m: float, state: State
) -> None:
    x, y, z = ARP_M
    moves = (every(position(), 40, 20), every(position((x + 0.05, y, z)), 40, 20, 10))
    stream = base_stream(40, extras=moves)
    finding = found(
        "position_steady", stream, limits={"position_steady": ok_m, "position_steady_bad": bad_m}
    )
    assert (finding.state, finding.text) == (state, "moved by 50 mm")
