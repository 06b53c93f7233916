"""What several tests of captures need: a writer with a fixed start."""

from pathlib import Path

import pytest

from rtcmtool.captures.companions import Description
from rtcmtool.captures.writing import CaptureWriter

START_NS = 1_772_600_767_000_000_000  # 2026-03-04T05:06:07Z


@pytest.fixture(scope="session")
def describe():
    """Give a maker of descriptions."""

    def make(**more):
        return Description("tcp://base.example:5015", "0.1.0", START_NS, **more)

    return make


@pytest.fixture
def writer(tmp_path: Path, describe):
    """Give an open writer of the capture `job`."""
    opened = CaptureWriter(tmp_path / "job", describe(), monotonic_s=100.0)
    yield opened
    opened.close(START_NS)
