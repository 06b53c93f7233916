import random

import pytest

from rtcmtool.sources.baud import (
    DOUBT_S,
    ENOUGH_BYTES,
    PLENTY_BYTES,
    RATES,
    TRIAL_S,
    BaudHunt,
    RateDoubt,
    Trial,
)

FRAME = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")  # 1005, RTCM 10403
SENTENCE = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"


def noise(count: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(count)


def test_the_rates_are_tried_in_the_agreed_order() -> None:
    # user-experience 2.1
    assert RATES == (115200, 57600, 38400, 19200, 9600, 230400, 460800, 4800)


def test_silence_says_nothing_about_rates() -> None:
    hunt = BaudHunt()
    for second in range(1000):
        assert hunt.feed(b"", float(second)) is Trial.LISTEN
    assert (hunt.rate, hunt.rounds, hunt.found) == (115200, 0, None)


def test_few_bytes_do_not_end_a_trial_however_long_it_takes() -> None:
    hunt = BaudHunt()
    assert hunt.feed(noise(ENOUGH_BYTES - 1), 0.0) is Trial.LISTEN
    assert hunt.feed(b"", 1000.0) is Trial.LISTEN


def test_unreadable_bytes_end_a_trial_when_its_time_is_up() -> None:
    hunt = BaudHunt()
    assert hunt.feed(noise(ENOUGH_BYTES), 10.0) is Trial.LISTEN
    assert hunt.feed(b"", 10.0 + TRIAL_S - 0.01) is Trial.LISTEN
    assert hunt.feed(b"", 10.0 + TRIAL_S) is Trial.MOVED_ON
    assert (hunt.rate, hunt.trial_bytes) == (57600, 0)


def test_plenty_of_unreadable_bytes_end_a_trial_at_once() -> None:
    assert BaudHunt().feed(noise(PLENTY_BYTES), 0.0) is Trial.MOVED_ON


def test_the_time_of_a_trial_runs_from_its_first_byte() -> None:
    hunt = BaudHunt()
    hunt.feed(b"", 0.0)
    assert hunt.feed(noise(300), 100.0) is Trial.LISTEN


@pytest.mark.parametrize("step", [1, 10, 1000])
@pytest.mark.parametrize(("text", "by"), [(FRAME, "frames"), (SENTENCE, "sentences")])
def test_a_rate_is_found_by_what_can_be_read(text: bytes, by: str, step: int) -> None:
    hunt = BaudHunt()
    hunt.feed(noise(PLENTY_BYTES), 0.0)
    data = noise(50, 2) + text
    trials = [hunt.feed(data[at : at + step], 1.0) for at in range(0, len(data), step)]
    assert trials[-1] is Trial.FOUND
    assert (hunt.found, hunt.found_by) == (57600, by)


def test_a_frame_larger_than_the_least_of_bytes_is_waited_for() -> None:
    long_frame = FRAME * 40
    hunt = BaudHunt()
    assert hunt.feed(b"\xd3\x03\xe8" + noise(900), 0.0) is Trial.LISTEN
    assert hunt.feed(long_frame + noise(300, 3), 0.5) is Trial.FOUND


def test_a_sentence_with_a_wrong_checksum_is_no_proof() -> None:
    assert BaudHunt().feed(SENTENCE.replace(b"*47", b"*46"), 0.0) is Trial.LISTEN


def test_after_the_last_rate_the_first_comes_again_and_the_round_is_counted() -> None:
    hunt = BaudHunt()
    tried = []
    for _ in range(len(RATES) + 1):
        tried.append(hunt.rate)
        hunt.feed(noise(PLENTY_BYTES), 0.0)
    assert tried == [*RATES, RATES[0]]
    assert hunt.rounds == 1


def test_once_found_a_rate_stays() -> None:
    hunt = BaudHunt()
    hunt.feed(FRAME, 0.0)
    assert hunt.feed(noise(PLENTY_BYTES), 99.0) is Trial.FOUND
    assert hunt.rate == 115200


def test_a_settled_rate_is_doubted_once_when_nothing_is_readable() -> None:
    doubt = RateDoubt(9600)
    assert doubt.feed(noise(ENOUGH_BYTES), 10.0) is None
    assert doubt.feed(b"", 10.0 + DOUBT_S - 0.01) is None
    text = doubt.feed(b"", 10.0 + DOUBT_S)
    assert text is not None
    assert text.startswith("200 bytes at 9600 baud, none readable")
    assert text.endswith("usual rates are 4800, 19200, 38400, 57600, 115200, 230400 or 460800")
    assert doubt.feed(noise(9000), 100.0) is None


@pytest.mark.parametrize("data", [b"", noise(ENOUGH_BYTES - 1)])
def test_silence_and_a_few_bytes_raise_no_doubt(data: bytes) -> None:
    doubt = RateDoubt(9600)
    assert doubt.feed(data, 0.0) is None
    assert doubt.feed(b"", 1000.0) is None


@pytest.mark.parametrize("text", [FRAME, SENTENCE])
def test_a_rate_at_which_something_was_readable_is_never_doubted(text: bytes) -> None:
    doubt = RateDoubt(9600)
    doubt.feed(noise(5000) + text, 0.0)
    assert doubt.feed(noise(5000), 1000.0) is None
