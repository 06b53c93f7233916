import pytest

from tests.monitor.following import Follower
from tests.streams import base_stream


def test_bands_strengths_and_lost_satellites_are_told() -> None:
    made = base_stream(120, numbers=(1074,), satellites={"GPS": 6})
    fewer = base_stream(120, numbers=(1074,), satellites={"GPS": 5})
    live = Follower([*(s for s in made if s.epoch < 60), *(s for s in fewer if s.epoch >= 60)]).run(
        120.0
    )
    now = live.satellites
    assert now.counts(3.0) == {"G": 5}
    assert [(band.label, band.satellites) for band in now.bands("G", 3.0)] == [("L1", 5), ("L2", 5)]
    weakest = now.weakest("G", 3.0)
    assert weakest is not None
    assert weakest.band == "L2"
    assert weakest.cnr_dbhz == pytest.approx(44.0)
    ((satellite, seen_ns),) = now.gone("G", 3.0)
    assert satellite == "G06"
    assert live.now.steady_ns - seen_ns == pytest.approx(60.4e9, abs=0.1e9)


def test_before_the_first_observation_nothing_is_told() -> None:
    now = Follower([]).run(3.0).satellites
    assert not now.counts(3.0)
    assert now.weakest("G", 3.0) is None
    assert not now.gone("G", 3.0)
