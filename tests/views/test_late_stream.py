"""A stream that becomes late: headline, events, facts and strips tell the same."""

from collections.abc import Iterator

import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.live_verdict import LiveJudge, conditions
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.views import dashboard_facts as facts
from rtcmtool.views.headline import Headline, Mood, headline
from tests.monitor.following import Follower, late_for
from tests.streams import Sent, base_stream, without_epochs

LATE = late_for(40, 80, 6.6)  # 6 s later than before
pytestmark = pytest.mark.slow


def stream(epochs: int) -> list[Sent]:
    return base_stream(epochs, numbers=(1074, 1084), satellites={"GPS": 8, "GLO": 6})


def moments(
    follower: Follower, until_s: float, every_s: float = 0.5
) -> Iterator[tuple[float, LiveState, Headline]]:
    """Let time pass as a command does, judging each half second."""
    live = follower.live
    judge = LiveJudge(Context(live.state, clock_trusted=live.clock_trusted))
    while follower.at_s < until_s - 1e-9:
        follower.run(follower.at_s + every_s)
        verdict = judge.judge(live)
        live.report(conditions(verdict))
        yield follower.at_s, live, headline(live, verdict)


def told(follower: Follower, until_s: float) -> dict[float, tuple[str, list[str]]]:
    """Give headline and open events by second."""
    return {
        at_s: (head.text, [event.text for event in live.events.open])
        for at_s, live, head in moments(follower, until_s)
    }


def test_any_clock_tells_that_it_has_become_later() -> None:
    said = told(Follower(stream(110), late_s=LATE, trusted=False, clock_error_s=-31.0), 108.0)
    words = "6.0 s later than before"
    late = [at_s for at_s, (head, _) in said.items() if head == f"SENDING, BUT {words}"]
    # From the third late epoch, which ends the silence, until the held up ones come.
    assert (late[0], late[-1]) == (49.0, 85.5)
    events = [at_s for at_s, (_, texts) in said.items() if words in texts]
    assert (events[0], events[-1]) == (59.0, 85.5)  # a WATCH needs 10 s
    assert said[86.0][0] == "SENDING - whole; on time not known"


def test_until_it_is_an_event_the_headline_says_when_it_will_be() -> None:
    follower = Follower(stream(110), late_s=LATE, trusted=False)
    details = {at_s: head.detail for at_s, _, head in moments(follower, 70.0)}
    assert details[55.0] == "an event if it lasts 10 s"
    assert details[65.0] == ""


def test_a_clock_that_is_set_is_no_late_stream() -> None:
    follower = Follower(stream(110), trusted=False)
    list(moments(follower, 50.0))
    follower.clock_error_s = 6.0
    heads = {head.text for _, _, head in moments(follower, 100.0)}
    assert not [text for text in heads if "later" in text]


def test_the_headline_agrees_with_the_outage_that_is_open() -> None:
    for _, live, head in moments(Follower(stream(110), late_s=LATE), 108.0):
        opened = live.outages.open_kind
        if opened is not None:
            assert head.mood in {Mood.SILENT, Mood.BUT}, head.text
        if opened == "late":
            assert head.text == "SENDING, BUT 6.6 s late" or "only just back" in head.text
            assert head.style == "state.bad"


def test_late_epochs_after_a_silence_are_never_no_observations() -> None:
    """The position, which is sent before the observations, comes first after the silence."""
    made = sorted(stream(110), key=lambda sent: (sent.epoch, sent.number != 1006))
    first = next(sent.data for sent in made if sent.epoch == 40 and sent.number == 1006)
    others = [sent for sent in made if not (sent.epoch == 40 and sent.number == 1006)]
    follower = Follower(others, late_s=LATE, extra={46.55: first})
    follower.run(46.2)
    moods = {head.mood for _, _, head in moments(follower, 50.0, every_s=0.05)}
    assert moods == {Mood.SILENT, Mood.BUT}


@pytest.mark.parametrize("trusted", [False, True])
def test_what_is_only_late_is_not_lost(trusted: bool) -> None:
    live = Follower(stream(110), late_s=LATE, trusted=trusted).run(109.0)
    assert {number: live.strips.lost(number) for number in live.strips.numbers} == dict.fromkeys(
        live.strips.numbers, 0
    )
    assert set(live.strips.strip(1006, 11)) <= {"-", " "}


def test_slow_messages_lost_are_counted_in_a_late_stream_too() -> None:
    made = [s for s in stream(110) if not (s.number == 1006 and s.epoch in {60, 80})]
    live = Follower(made, late_s=LATE).run(109.0)
    assert (live.strips.lost(1006), live.strips.lost(1033)) == (2, 0)


def test_slow_messages_lost_without_observations_are_counted() -> None:
    made = [s for s in stream(130) if s.number not in {1074, 1084} or not 40 <= s.epoch < 90]
    made = [s for s in made if not (s.number == 1006 and s.epoch in {60, 70})]
    live = Follower(made).run(129.0)
    assert (live.strips.lost(1006), live.strips.lost(1033)) == (2, 0)


@pytest.mark.parametrize(("trusted", "age"), [(True, "7 s ago"), (False, "arrived 0.4 s ago")])
def test_the_age_of_a_late_epoch_is_its_own_or_that_of_its_arrival(trusted: bool, age: str) -> None:
    live = Follower(stream(80), late_s=lambda _: 6.6, trusted=trusted).run(61.0)
    assert facts.epoch_fact(live) == f"07:00:36 UTC, {age}"


def test_the_age_goes_on_while_nothing_comes_though_the_source_was_lost_and_found() -> None:
    follower = Follower([s for s in stream(80) if s.epoch < 30], trusted=False)
    live = follower.run(40.0)
    live.not_listening(follower.utc_ns(60.0), 60.0, "it has closed the connection")
    live.listening(follower.utc_ns(80.0), 80.0)
    live.tick(follower.utc_ns(90.0), 90.0)
    assert facts.observed_age_s(live) == pytest.approx(90 - 29, abs=0.8)
    assert facts.epoch_fact(live).endswith("arrived 1 min ago")


def test_the_fact_of_the_delay_says_how_much_later() -> None:
    live = Follower(stream(80), late_s=LATE, trusted=False).run(70.0)
    assert facts.delay_fact(live)[0] == "6.0 s later than before"
    assert facts.delay_fact(live, short=True)[0] == "6.0 s later"


@pytest.mark.parametrize("trusted", [False, True])
def test_a_silence_is_told_alike_in_headline_and_events(trusted: bool) -> None:
    follower = Follower(without_epochs(stream(140), *range(60, 80)), trusted=trusted)
    said: dict[str, float] = {}
    for at_s, live, head in moments(follower, 138.0):
        said.setdefault(head.text.partition(" for ")[0], at_s)
        opened = [event.text for event in live.events.open]
        if head.mood is Mood.SILENT and not opened:
            assert head.detail.endswith("; an outage from 5 s on")
        if head.text.startswith("SENDING -"):
            assert not opened
        if "of 3 whole epochs" in head.text:
            assert opened == ["silent"]
    assert "SENDING, BUT only just back: 2 of 3 whole epochs" in said
    assert "SENDING, BUT silent 21 s until 07:01:02" in said
    assert not [text for text in said if "lost" in text]
