"""The recordings of the gnss tests, read once."""

import pytest

from rtcmtool.gnss.rinex_navigation import parse_navigation
from tests.gnss.rinex_observations import read_observations


@pytest.fixture(scope="session")
def static_navigation(open_data):
    return parse_navigation((open_data / "static-1hz-navigation.rnx").read_text())


@pytest.fixture(scope="session")
def pair_navigation(open_data):
    return parse_navigation((open_data / "pair-navigation.rnx").read_text())


@pytest.fixture(scope="session")
def mixed_navigation(open_data):
    return parse_navigation((open_data / "mixed-navigation-rinex4.rnx").read_text())


@pytest.fixture(scope="session")
def static_observations(open_data):
    """Every 30th of 900 epochs."""
    return read_observations(open_data / "static-1hz-observations.rnx", every=30)


@pytest.fixture(scope="session")
def pair_observations(open_data):
    """Every 6th of 180 epochs of the base."""
    return read_observations(open_data / "pair-base.rnx", every=6)
