"""The table of recognised blunders: what it prints, and when it is content."""

import blunder_table
import pytest


def test_the_table_names_every_blunder_and_counts_the_hits(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert blunder_table.main(["--seed", "3"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 33
    right = sum(not line.startswith("! ") for line in lines[1:-2])
    assert lines[-2] == f"named first: {right} of 30; wanted 28"
    assert lines[-1] == "named in right positions: 0 of 100; wanted 0"


@pytest.mark.slow
def test_sums_over_seeds_count_every_case(capsys: pytest.CaptureFixture[str]) -> None:
    assert blunder_table.main(["--seeds", "2"]) == 0
    out = capsys.readouterr().out
    assert "exact, 2 seeds" in out
    assert "of 60 (" in out
    assert "of 102 (" in out
    assert "named in right positions: 0 of 200" in out


def test_a_blunder_named_in_a_right_position_is_told_by_the_exit_code(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(blunder_table, "falsely_named", lambda seeds: 1)
    assert blunder_table.main([]) == 1


def test_too_few_hits_are_told_by_the_exit_code(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blunder_table, "named", lambda case: ())
    assert blunder_table.main([]) == 1
