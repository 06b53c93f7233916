"""A long session: quick, and without growing."""

from pathlib import Path

import long_session
import pytest


@pytest.mark.slow
def test_an_hour_passes_quickly_and_its_outage_is_booked(tmp_path: Path) -> None:
    found = long_session.run(tmp_path, 0.6, (1074,), judge_every_s=10.0)
    assert found.outages == 1
    assert found.size_bytes > 200_000
    assert 0.6 * 3600 / found.seconds > 30
