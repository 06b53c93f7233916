import pytest

from rtcmtool.diagnosis.air_ends import mixed_up
from rtcmtool.diagnosis.finding import State
from rtcmtool.monitor.air_loss import AirLoss


def matched(late_s: float) -> AirLoss:
    air = AirLoss()
    for second in range(30):
        pieces = [(float(second), air.send), (second + late_s, air.hear)]
        for at_s, take in sorted(pieces, key=lambda piece: piece[0]):
            take([second.to_bytes(4, "big") * 20], at_s)
    air.finish(60.0)
    return air


def test_what_is_heard_before_it_was_sent_is_told_with_what_to_do() -> None:
    finding = mixed_up(matched(-0.4), "COM5", "COM7")
    assert finding is not None
    assert finding.state is State.UNKNOWN
    assert finding.text == "each frame is at COM7 0.4 s before it is at COM5"
    assert finding.action == "name the base first: rtcmtool check COM7 --heard COM5"


@pytest.mark.parametrize("late_s", [0.4, 0.0, -0.03])
def test_ends_in_their_order_are_nothing_to_tell(late_s: float) -> None:
    assert mixed_up(matched(late_s), "COM5", "COM7") is None
