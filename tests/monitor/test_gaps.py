import pytest

from rtcmtool.monitor.gaps import Gaps
from rtcmtool.monitor.steady_clock import Moment


def at(second: float) -> Moment:
    return Moment(round(second * 1e9), round(second * 1e9))


def counted(story: str) -> Gaps:
    """Count a story of epochs: w whole, p part, - none, b a time in which we did not watch."""
    gaps = Gaps()
    for second, what in enumerate(story):
        if what in "wp":
            gaps.add(1000 * second, at(second), 1000, is_whole=what == "w")
        elif what == "b":
            gaps.resume()
    return gaps


@pytest.mark.parametrize(
    ("story", "due", "whole", "count", "longest_s"),
    [
        ("wwwww", 5, 5, 0, 0.0),
        ("ww-ww", 5, 4, 1, 2.0),
        ("wwppw", 5, 3, 1, 3.0),
        ("w-w---w", 7, 3, 2, 4.0),
        ("wwbbbww", 4, 4, 0, 0.0),
        ("pww", 3, 2, 0, 0.0),
    ],
)
def test_gaps_run_from_whole_epoch_to_whole_epoch(
    story: str, due: int, whole: int, count: int, longest_s: float
) -> None:
    gaps = counted(story)
    assert (gaps.due, gaps.whole, gaps.count, gaps.longest_s) == (due, whole, count, longest_s)


def test_the_longest_knows_when_it_was_and_the_latest_when_it_ended() -> None:
    gaps = counted("w---w-w")
    assert gaps.longest_at == at(0)
    assert gaps.last_end == at(6)
    assert gaps.open_s(at(9)) == 3.0


def test_an_epoch_that_comes_again_is_not_counted_twice() -> None:
    gaps = counted("www")
    assert gaps.add(2000, at(3), 1000, is_whole=True) == (0, 0)
    assert gaps.due == 3
