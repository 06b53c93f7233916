"""The confusion table: what it prints, and when it is content."""

import confusion
import pytest

SMALL = ["--singles", "6", "--doubles", "2", "--healthy", "3"]


@pytest.mark.slow
def test_a_small_table_names_causes_hits_and_false_alarms(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert confusion.main(SMALL) == 0
    out = capsys.readouterr().out
    assert "true cause" in out
    assert "no fault      0 of 3 (0.0 %) false alarms (blamed: nothing)" in out


@pytest.mark.slow
def test_too_few_hits_are_told_by_the_exit_code(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(confusion, "is_hit", lambda case, found: False)
    assert confusion.main(["--singles", "1", "--doubles", "0", "--healthy", "0"]) == 1
