"""Real phases for the monitor, read once."""

import pytest

from rtcmtool.gnss.rinex_navigation import parse_navigation
from tests.gnss.conftest import (  # noqa: F401  (fixtures)
    pair_navigation,
    pair_observations,
    static_navigation,
    static_observations,
)
from tests.gnss.rinex_observations import read_observations
from tests.monitor.rinex_rows import rows_of_file, with_elevations


@pytest.fixture(scope="session")
def static_rows(open_data):
    """All 900 epochs of the static antenna, with elevations."""
    observed = read_observations(open_data / "static-1hz-observations.rnx")
    navigation = parse_navigation((open_data / "static-1hz-navigation.rnx").read_text())
    return with_elevations(rows_of_file(observed), navigation.ephemerides, observed.position_m)


@pytest.fixture(scope="session")
def pair_rows(open_data):
    """All 180 epochs of the base of the pair, with elevations."""
    observed = read_observations(open_data / "pair-base.rnx")
    navigation = parse_navigation((open_data / "pair-navigation.rnx").read_text())
    return with_elevations(rows_of_file(observed), navigation.ephemerides, observed.position_m)
