"""The rules against the contract of `check --json`, typed from the design's table."""

import inspect

import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.verdict import RULE_FUNCTIONS
from tests.streams import state_of

# Rule, printed as, class, unit, limit of ok, whether a value at it is ok, limit of bad. The limits
# of words ("yes", "no"), of presence and of ranges have no number here.
CONTRACT = """
bytes_arrive             | messages arrive             | K | s                  | -      | -  | 15
frames_whole             | frames damaged              | K | %                  | 1      | no | 5
foreign_bytes            | bytes outside frames        | I | %                  | 0.5    | no | 5
epochs_complete          | epochs complete             | K | %                  | 95     | -  | 80
longest_gap              | longest gap                 | B | s                  | 3      | -  | 10
delay                    | delay                       | B | s                  | 3      | no | 5
observations_usable      | observations                | K | -                  | -      | -  | -
two_bands                | bands                       | B | satellites         | 5      | -  | 5
satellites_enough        | satellites                  | B | satellites         | 12     | -  | 7
geometry                 | PDOP                        | I | -                  | 3      | yes| 6
position_sent            | position message            | K | s                  | 15     | yes| 60
position_on_earth        | position possible           | B | m                  | -      | -  | -
position_steady          | position steady             | B | m                  | 1e-4   | yes| 1e-4
position_matches_mark    | position = known mark       | K | mm                 | 5      | yes| 20
position_matches_code    | position = own measurement  | B | m                  | 3      | yes| 10
position_matches_earlier | position = earlier captures | B | mm                 | 5      | yes| 20
antenna_height           | antenna height              | B | mm                 | 2      | yes| 5
antenna_named            | antenna name                | I | -                  | -      | -  | -
one_base                 | one base only               | K | stations           | 1      | -  | 1
glonass_bias             | GLONASS bias 1230           | I | s                  | 30     | -  | -
epoch_closed             | epochs closed               | I | %                  | 99     | -  | 95
half_cycles              | half cycles                 | I | %                  | 1      | no | 10
slips                    | slips                       | I | per satellite-hour | 0.6    | no | 1.2
lock_restart             | restarts                    | I | times              | 0      | yes| 1
signal_strength          | signal strength             | I | dB-Hz              | 45     | -  | 38
band_drop                | band drop                   | I | dB                 | 2      | no | 5
multipath                | multipath                   | I | m                  | 0.5    | no | 1.0
ionosphere               | ionosphere                  | I | mm/s               | 2      | no | 10
clock_jumps              | clock jumps                 | I | times              | 0      | yes| 1
air_time                 | air time                    | K | %                  | 60     | no | 85
announced_messages       | messages as planned         | B | -                  | -      | -  | -
rover_can_use            | rover can use it            | B | -                  | -      | -  | -
systems_steady           | systems steady              | I | -                  | 0      | -  | -
epochs_single            | epochs once                 | I | %                  | 1      | no | 10
"""
ROWS = [[cell.strip() for cell in line.split("|")] for line in CONTRACT.strip().splitlines()]


def test_the_rules_are_those_of_the_contract_in_its_order() -> None:
    assert list(RULES) == [row[0] for row in ROWS]


@pytest.mark.parametrize("row", ROWS, ids=[row[0] for row in ROWS])
def test_a_rule_has_the_name_weight_unit_and_limits_of_the_contract(row: list[str]) -> None:
    name, printed, weight, unit, ok, at_ok, bad = row
    rule = RULES[name]
    assert (rule.name, rule.printed, rule.weight.value) == (name, printed, weight)
    assert rule.essential is (weight in {"K", "B"})
    if unit != "-":
        assert rule.unit == unit
    if ok != "-":
        assert rule.ok == float(ok)
    if at_ok != "-":
        assert rule.below is (at_ok == "no")
    if bad != "-":
        assert rule.bad == float(bad)


@pytest.mark.parametrize("name", RULES)
def test_a_rule_says_in_its_docstring_what_it_finds_and_where_its_limits_come_from(
    name: str,
) -> None:
    docstring = inspect.getdoc(RULE_FUNCTIONS[name])
    assert docstring
    assert docstring.splitlines()[0].endswith(".")
    assert RULES[name].basis


@pytest.mark.parametrize("name", RULES)
def test_the_function_of_a_rule_gives_a_finding_of_this_rule_on_nothing_at_all(name: str) -> None:
    assert RULE_FUNCTIONS[name](Context(state_of(b""))).rule is RULES[name]


@pytest.mark.parametrize(
    ("limits", "ok", "bad"),
    [
        ({}, 15.0, 60.0),
        ({"position_sent": 30.0}, 30.0, 60.0),
        ({"position_sent_bad": 90.0}, 15.0, 90.0),
        ({"position_sent": 0.0, "position_sent_bad": 0.0}, 0.0, 0.0),
        ({"slips": 9.0}, 15.0, 60.0),
    ],
)
def test_limits_may_be_changed_by_the_name_of_the_rule(
    limits: dict[str, float], ok: float, bad: float
) -> None:
    rule = Context(state_of(b""), limits=limits).rule("position_sent")
    assert (rule.ok, rule.bad) == (ok, bad)
    changed = (ok, bad) != (15.0, 60.0)
    assert rule.basis.startswith("site sheet") is changed
    assert RULES["position_sent"].ok == 15.0
