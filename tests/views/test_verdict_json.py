"""The document of `check --json`: exactly the keys of the contract, in its order."""

from typing import Any

import orjson
import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.verdict import judge
from rtcmtool.views.verdict_json import verdict_object
from tests.streams import base_stream, damaged, dated, state_of, without_epochs

DOCUMENT = ["verdict", "exit_code", "source", "site", "seconds", "at", "rules"]
RULE = [
    "rule", "state", "essential", "value", "values", "unit", "limit", "since", "text", "action",
    "basis",
]  # fmt: skip
STATES = {"ok", "watch", "bad", "unknown", "not-applicable"}


def document(exit_code: int | None = None, site: str | None = None) -> dict[str, Any]:
    """Give the document of a troubled stream."""
    stream = damaged(without_epochs(base_stream(60), 30, 31, 32, 33), 10, 20, 30)
    verdict = judge(Context(state_of(stream, reference=dated()), radio_rate_bit_s=4800.0))
    return verdict_object(
        verdict, source="JOB.rtcm3", site=site, seconds=59.0, at="rover", exit_code=exit_code
    )


def test_the_document_has_the_keys_of_the_contract() -> None:
    made = document()
    assert list(made) == DOCUMENT
    assert [list(rule) for rule in made["rules"]] == [RULE] * len(RULES)


def test_the_values_are_of_the_kinds_of_the_contract() -> None:
    made = document()
    assert made["verdict"] == "no-go"
    assert (made["exit_code"], made["source"], made["site"], made["at"]) == (
        1, "JOB.rtcm3", None, "rover",
    )  # fmt: skip
    for rule in made["rules"]:
        assert rule["rule"] in RULES
        assert rule["state"] in STATES
        assert isinstance(rule["essential"], bool)
        assert rule["value"] is None or isinstance(rule["value"], float)
        assert rule["values"] is None or isinstance(rule["values"], dict)
        assert rule["limit"] is None or isinstance(rule["limit"], float)
        assert rule["since"] is None or rule["since"].endswith("Z")
        assert rule["text"]
        assert rule["action"] is None or rule["action"]
        assert rule["basis"]


def test_a_document_survives_a_writer_and_a_reader() -> None:
    made = document()
    assert orjson.loads(orjson.dumps(made)) == made


@pytest.mark.parametrize("exit_code", [3, 4])
def test_another_exit_code_beats_that_of_the_verdict(exit_code: int) -> None:
    assert document(exit_code)["exit_code"] == exit_code


def test_the_site_is_named_where_there_is_one() -> None:
    assert document(site="North field")["site"] == "North field"


def test_rules_stand_worst_first() -> None:
    order = ["bad", "watch", "unknown", "ok", "not-applicable"]
    ranks = [order.index(rule["state"]) for rule in document()["rules"]]
    assert ranks == sorted(ranks)
