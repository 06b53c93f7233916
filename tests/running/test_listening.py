"""Listening by a clock in the test's hand: when it ends, what it keeps, what the air lost."""

import pytest

from rtcmtool.errors import SourceError
from rtcmtool.running.listening import Ear, Ending, Listening
from rtcmtool.sources import SourceState
from tests.running.scripted import HandClock, Script, Step, gone, opened
from tests.streams import Sent, base_stream, dated, every, position, without

LATE_S = 0.3
OPENED, LOST = SourceState.OPENED, SourceState.LOST


def timed(stream: list[Sent], begin_s: float = 0.0, late_s: float = LATE_S) -> list[Step]:
    """Let the messages of each epoch come together, a second apart."""
    by_epoch: dict[int, bytes] = {}
    for sent in stream:
        by_epoch[sent.epoch] = by_epoch.get(sent.epoch, b"") + sent.data
    return [(begin_s + late_s + epoch, data) for epoch, data in sorted(by_epoch.items())]


def listen(*steps: Step, **more) -> Listening:
    clock = HandClock()
    ear = Ear(Script(steps, clock), make_reference=dated)
    listening = Listening(ear, monotonic=clock, **more)
    listening.run()
    return listening


def test_listening_ends_when_the_time_is_up() -> None:
    done = listen(*opened(*timed(base_stream(70))))
    assert done.ending is Ending.TIME
    assert done.near.listened_s(done.now_s) == pytest.approx(60, abs=0.5)
    assert done.near.state.finished
    assert done.near.state.epochs is not None
    assert done.near.state.epochs.whole == done.near.state.epochs.due
    assert 58 <= done.near.state.epochs.due <= 61


def test_nothing_at_all_ends_it_after_15_s() -> None:
    done = listen(*opened())
    assert done.ending is Ending.SILENT
    assert done.near.listened_s(done.now_s) == pytest.approx(15, abs=0.5)


def test_bytes_that_make_no_sense_at_any_rate_are_no_silence() -> None:
    clock = HandClock()
    source = Script(opened(), clock)
    source.unreadable_bytes = 2310  # type: ignore[attr-defined]  # as a serial port has it
    done = Listening(Ear(source), monotonic=clock)
    done.run()
    assert done.ending is Ending.TIME
    assert done.near.unreadable_bytes == 2310


def test_a_source_that_takes_long_to_open_is_waited_for() -> None:
    steps = [(40.0, OPENED), *timed(base_stream(70), 40.0)]
    done = listen(*steps)
    assert done.ending is Ending.TIME
    assert done.now_s == pytest.approx(100, abs=0.5)


def test_without_a_position_after_60_s_it_goes_on_to_90_s() -> None:
    bare = base_stream(120, numbers=(1074,), extras=())
    done = listen(*opened(*timed(bare)))
    assert done.near.listened_s(done.now_s) == pytest.approx(90, abs=0.5)


def test_a_position_that_comes_late_ends_the_longer_time() -> None:
    late = base_stream(120, numbers=(1074,), extras=[every(position(), 120, 100, first=70)])
    done = listen(*opened(*timed(late)))
    assert done.near.listened_s(done.now_s) == pytest.approx(70, abs=1)
    assert done.near.has_position


@pytest.mark.parametrize(("duration_s", "listened_s"), [(20.0, 20.0), (95.0, 95.0)])
def test_a_time_that_was_asked_for_is_kept(duration_s: float, listened_s: float) -> None:
    bare = base_stream(120, numbers=(1074,), extras=())
    done = listen(*opened(*timed(bare)), duration_s=duration_s)
    assert done.near.listened_s(done.now_s) == pytest.approx(listened_s, abs=0.5)


def test_it_ends_early_when_nothing_can_change_the_verdict() -> None:
    def is_settled(listening: Listening) -> bool:
        return listening.near.state.traffic.frames > 20

    done = listen(*opened(*timed(base_stream(70))), is_settled=is_settled)
    assert done.ending is Ending.EARLY
    assert done.now_s < 8


def test_a_port_that_was_lost_is_listened_to_anew() -> None:
    stream = timed(base_stream(120))
    steps = opened(
        *(step for step in stream if step[0] < 30),
        (30.0, LOST),
        (45.0, OPENED),
        *(step for step in stream if step[0] > 45),
    )
    done = listen(*steps)
    assert done.ending is Ending.TIME
    assert done.now_s == pytest.approx(105, abs=0.5)
    epochs = done.near.state.epochs
    assert epochs is not None
    assert epochs.whole == epochs.due  # the time of not listening is no gap of the base


def test_a_port_that_comes_and_goes_does_not_make_it_endless() -> None:
    stream = timed(base_stream(200))
    steps = opened(*stream, *((10.0 * n, LOST) for n in range(1, 9)))
    steps += [(10.0 * n + 3, OPENED) for n in range(1, 9)]
    done = listen(*sorted(steps, key=lambda step: step[0]))
    assert done.ending is Ending.TIME
    assert done.now_s < 120


def test_a_port_that_is_gone_for_good_ends_it_with_its_error() -> None:
    done = listen(*opened(*timed(base_stream(10))), (30.0, LOST), (90.0, gone()))
    assert done.ending is Ending.SOURCE
    assert isinstance(done.error, SourceError)
    assert done.near.state.traffic.frames > 0


def test_a_fault_of_ours_shows_itself() -> None:
    with pytest.raises(ZeroDivisionError):
        listen(*opened(), (3.0, ZeroDivisionError()))


def test_an_interruption_ends_it_and_keeps_what_came() -> None:
    def watch(listening: Listening, status: object) -> None:
        if listening.now_s > 10:
            listening.interrupt()

    done = listen(*opened(*timed(base_stream(70))), watch=watch)
    assert done.ending is Ending.INTERRUPTED
    assert done.near.state.traffic.frames > 30


def test_a_peer_that_sends_one_byte_a_second_is_heard_to_the_end() -> None:
    frame = position()
    steps = [(1.0 + place, frame[place : place + 1]) for place in range(len(frame))]
    done = listen(*opened(*steps))
    assert done.ending is Ending.TIME
    assert done.near.state.traffic.frames == 1


def both(base: list[Step], rover: list[Step], **more) -> Listening:
    clock = HandClock()
    near = Ear(Script(base, clock), make_reference=dated)
    far = Ear(Script(rover, clock, text="tcp://far:2"), make_reference=dated)
    listening = Listening(near, far, monotonic=clock, **more)
    listening.run()
    return listening


def test_what_the_air_lost_is_what_is_missing_at_the_other_end() -> None:
    sent = base_stream(70)
    heard = without(sent, lambda each: each.number == 1074 and each.epoch % 5 == 0)
    done = both(opened(*timed(sent)), opened(*timed(heard, late_s=LATE_S + 0.6)))
    assert done.air is not None
    assert done.air.foreign == 0
    # 1074 of every fifth epoch, of 1 to 54: 1 s after the opening to 5 s before the end at 60 s.
    assert done.air.sent - done.air.heard == 10
    assert done.air.mean_delay_s == pytest.approx(0.6, abs=0.25)


def test_nothing_is_counted_as_lost_while_the_other_end_was_closed() -> None:
    sent = base_stream(70)
    rover = [(20.0, OPENED), *(step for step in timed(sent, late_s=0.8) if step[0] > 20)]
    done = both(opened(*timed(sent)), rover)
    assert done.air is not None
    assert done.air.sent > 100
    assert done.air.heard >= done.air.sent - 1


def cut(steps: list[Step], size: int = 90) -> list[Step]:
    """Let bytes come in pieces that know nothing of frames, 20 ms apart."""
    return [
        (at_s + 0.02 * number, data[begin : begin + size])
        for at_s, data in steps
        if isinstance(data, bytes)
        for number, begin in enumerate(range(0, len(data), size))
    ]


def sent_between(stream: list[Sent], first: int, behind: int) -> list[Sent]:
    return [each for each in stream if first <= each.epoch < behind]


@pytest.mark.slow
def test_the_counts_are_the_truth_by_length() -> None:
    """Long frames of every third epoch and short ones of two epochs are lost, 0.4 s on the way."""
    sent = base_stream(70)

    def is_lost(each: Sent) -> bool:
        if len(each.data) > 150:
            return each.epoch % 3 == 0
        return len(each.data) <= 60 and each.epoch in {20, 30}

    steps = cut(timed(sent))
    heard = cut(timed(without(sent, is_lost), late_s=LATE_S + 0.4))
    done = both([(0.0, OPENED), *steps], [(0.0, OPENED), *heard])
    assert done.air is not None
    # From 1 s after the opening to 5 s before the end at 60 s: epochs 1 to 54.
    due = sent_between(sent, 1, 55)
    for index, (least, most) in enumerate([(0, 60), (61, 150), (151, 5000)]):
        of_length = [each for each in due if least <= len(each.data) <= most]
        assert done.air.classes[index].sent == len(of_length)
        assert done.air.classes[index].lost == sum(is_lost(each) for each in of_length)
    assert done.air.lead_s is None


@pytest.mark.slow
@pytest.mark.parametrize(("near_s", "far_s"), [(0.0, 12.46), (12.46, 0.0), (7.0, 7.35)])
def test_ends_that_open_at_different_times_lose_nothing_by_that(
    near_s: float, far_s: float
) -> None:
    steps = cut(timed(base_stream(90)))
    base = [(near_s, OPENED), *(step for step in steps if step[0] > near_s)]
    rover = [(far_s, OPENED), *(step for step in steps if step[0] > far_s)]
    done = both(base, rover)
    assert done.air is not None
    assert done.air.sent > 150
    assert done.air.sent == done.air.heard
    assert done.air.foreign == 0


@pytest.mark.slow
def test_bytes_that_the_air_garbles_are_lost_frames() -> None:
    sent = base_stream(70)
    garbled = [
        Sent(each.epoch, each.number, bytes([*each.data[:-1], each.data[-1] ^ 1]))
        if each.epoch % 4 == 0
        else each
        for each in sent
    ]
    done = both(opened(*timed(sent)), opened(*timed(garbled, late_s=LATE_S + 0.4)))
    due = sent_between(sent, 1, 55)
    assert done.air is not None
    assert done.air.sent == len(due)
    assert done.air.sent - done.air.heard == sum(each.epoch % 4 == 0 for each in due)
    assert done.air.foreign == 0


@pytest.mark.slow
@pytest.mark.parametrize("late_s", [0.2, 0.9])
def test_ends_that_are_mixed_up_show_by_their_order(late_s: float) -> None:
    sent = base_stream(70)
    heard = without(sent, lambda each: each.epoch % 5 == 0)
    done = both(opened(*timed(heard, late_s=LATE_S + late_s)), opened(*timed(sent)))
    assert done.air is not None
    assert done.air.lead_s == pytest.approx(late_s, abs=0.15)


def test_a_silent_other_end_has_lost_everything() -> None:
    done = both(opened(*timed(base_stream(70))), opened())
    assert done.air is not None
    assert done.air.sent > 200
    assert done.air.heard == 0
