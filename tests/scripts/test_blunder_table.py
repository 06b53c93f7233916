"""The table of recognised blunders: what it prints, and when it is content."""

import blunder_table
import pytest


def test_the_table_names_every_blunder_and_counts_the_hits(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert blunder_table.main(["--seed", "3"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 32
    right = sum(not line.startswith("! ") for line in lines[1:-1])
    assert lines[-1] == f"named first: {right} of 30; wanted 28"


def test_too_few_hits_are_told_by_the_exit_code(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blunder_table, "named", lambda case: ())
    assert blunder_table.main([]) == 1
