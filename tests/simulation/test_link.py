import math
from dataclasses import replace

import numpy as np
import pytest

from rtcmtool.simulation.faults import Fault, make_fault
from rtcmtool.simulation.link import (
    Channel,
    RadioLink,
    channel_of,
    damage,
    listener_of,
    misread,
)
from rtcmtool.simulation.messages import Frame
from rtcmtool.simulation.radio_range import (
    bit_error_rate,
    free_space_loss_db,
    received_dbm,
    two_ray_loss_db,
)
from rtcmtool.simulation.scenario import Radio, RadioPath
from rtcmtool.wire.encoding import frame_message
from rtcmtool.wire.framing import FrameScanner

SECOND = 10**9
CLEAN = Radio(rate_bit_s=9600.0, overhead=1.0, keying_ms=20.0, jitter_ms=0.0)


def epochs(count: int, sizes: tuple[int, ...] = (200, 150, 100)) -> list[Frame]:
    """Make frames of whole sizes, a group a second."""
    return [
        Frame(second * SECOND + place * 1_000_000, frame_message(b"\x43\x50" + bytes(size - 8)))
        for second in range(1, count + 1)
        for place, size in enumerate(sizes)
    ]


def carried(
    frames: list[Frame], radio: Radio = CLEAN, *faults: Fault, seed: int = 1
) -> list[Frame]:
    active = {fault.kind: fault for fault in faults}
    return RadioLink(seed, 0).carry(frames, channel_of(radio, active))


def whole_frames(heard: list[Frame]) -> int:
    scanner = FrameScanner()
    data = b"".join(frame.data for frame in heard)
    return len(scanner.feed(data)) + len(scanner.finish())


def test_a_clean_radio_changes_nothing_and_takes_its_time() -> None:
    sent = epochs(1)
    heard = carried(sent)
    assert [frame.data for frame in heard] == [frame.data for frame in sent]
    # 20 ms keying, then 200, 350 and 450 bytes of 8 bits at 9600 bit/s
    expected = [1.0 + 0.020 + 8 * count / 9600 for count in (200, 350, 450)]
    assert [frame.utc_ns / SECOND for frame in heard] == pytest.approx(expected, abs=1e-6)


def test_overhead_and_a_repeater_lengthen_the_time_on_the_air() -> None:
    heard = carried(epochs(1), replace(CLEAN, overhead=1.5, repeater=True))
    assert len(heard) == 6
    assert [frame.data for frame in heard[:3]] == [frame.data for frame in heard[3:]]
    once_s = 0.020 + 1.5 * 8 * 450 / 9600
    assert heard[2].utc_ns / SECOND == pytest.approx(1 + once_s, abs=1e-6)
    assert heard[5].utc_ns / SECOND == pytest.approx(1 + once_s + 0.04 + 1.5 * 0.375, abs=1e-6)


def test_an_overfull_channel_grows_late_and_then_loses() -> None:
    sent = epochs(60, (400, 400, 400))  # 1200 bytes a second, the air takes 600
    heard = carried(sent, CLEAN, make_fault("too-much", severity=4800.0))
    ages = {frame.data: frame.utc_ns for frame in heard}
    delays = [(frame.utc_ns / SECOND) % 1000 for frame in heard]
    assert len(ages) == 1  # all alike here: the times are what matters
    assert len(heard) / len(sent) == pytest.approx(0.5, abs=0.07)
    # the buffer of 4096 bytes is 6.8 s of air time
    lateness = max(delays[i + 1] - delays[i] for i in range(len(delays) - 1))
    assert lateness < 1.1
    assert heard[-1].utc_ns / SECOND - 60 == pytest.approx(6.8, abs=0.8)


# Lost of a frame of 173 bytes and of an epoch of 648 and 1027 bytes: 1 - (1 - p)^n, as tabulated
# for radio links.
@pytest.mark.parametrize(
    ("rate", "size", "lost"),
    [(1e-4, 173, 0.129), (1e-3, 173, 0.750), (1e-4, 648, 0.405), (1e-5, 1027, 0.079)],
)
def test_bit_errors_damage_as_many_frames_as_the_formula_says(
    rate: float, size: int, lost: float
) -> None:
    random = np.random.default_rng(3)
    data = bytes(size)
    count = 1500
    damaged = sum(damage(data, rate, random) != data for _ in range(count))
    assert damaged / count == pytest.approx(lost, abs=4 * math.sqrt(lost * (1 - lost) / count))


def test_damage_turns_over_single_bits() -> None:
    random = np.random.default_rng(1)
    turned = damage(bytes(1000), 1e-3, random)
    assert len(turned) == 1000
    assert sum(octet.bit_count() for octet in turned) == pytest.approx(8, abs=8)


def test_a_weak_radio_loses_long_frames_first() -> None:
    short = carried(epochs(400, (30,)), CLEAN, make_fault("weak-radio", severity=2e-4))
    long = carried(epochs(400, (300,)), CLEAN, make_fault("weak-radio", severity=2e-4))
    # (1 - 2e-4)^(8 x 30) = 0.953, (1 - 2e-4)^(8 x 300) = 0.619
    assert whole_frames(short) / 400 == pytest.approx(0.953, abs=0.04)
    assert whole_frames(long) / 400 == pytest.approx(0.619, abs=0.09)


def test_a_busy_channel_loses_whole_seconds() -> None:
    sent = epochs(600)
    heard = carried(sent, CLEAN, make_fault("busy-channel", severity=25.0))
    arrived = {frame.utc_ns // SECOND for frame in heard if len(frame.data) >= 100}
    lost = [second for second in range(1, 601) if second not in arrived]
    assert 0.15 < len(lost) / 600 < 0.5
    runs = sum(second - 1 not in lost for second in lost)
    assert len(lost) / runs > 1.5  # in runs, not singly


def test_long_frames_alone_are_lost_when_that_is_asked_for() -> None:
    heard = carried(epochs(10), CLEAN, make_fault("long-lost", severity=150.0))
    assert sorted({len(frame.data) for frame in heard}) == [100, 150]


def test_foreign_bytes_stand_between_whole_frames() -> None:
    heard = carried(epochs(200), CLEAN, make_fault("foreign-bytes", severity=10.0))
    total = sum(len(frame.data) for frame in heard)
    assert 1 - 450 * 200 / total == pytest.approx(0.10, abs=0.01)
    assert whole_frames(heard) == 600


def test_lateness_is_added_and_nothing_overtakes() -> None:
    sent = epochs(30)
    plain = carried(sent)
    late = carried(sent, CLEAN, make_fault("late", severity=6.0))
    assert {b.utc_ns - a.utc_ns for a, b in zip(plain, late, strict=True)} == {6 * SECOND}
    shaken = carried(sent, replace(CLEAN, jitter_ms=900.0))
    times = [frame.utc_ns for frame in shaken]
    assert times == sorted(times)
    assert len(set(times)) > 30


def test_the_same_seed_gives_the_same_bytes() -> None:
    faults = (make_fault("weak-radio"), make_fault("busy-channel"))
    once, again = (carried(epochs(50), CLEAN, *faults, seed=5) for _ in range(2))
    other = carried(epochs(50), CLEAN, *faults, seed=6)
    assert once == again
    assert once != other


def test_a_line_read_at_its_own_rate_is_read_right_and_at_another_wrong() -> None:
    data = bytes(range(256))
    assert misread(data, 1.0) == data
    for ratio in (0.5, 2.0, 3.0, 1.25):
        assert misread(data, ratio) != data
    # sent U = start, 10101010, stop: read at half the rate each two bits fall into one
    assert misread(b"UUUU", 0.5) != b"UUUU"


def test_a_computer_with_a_wrong_clock_notes_wrong_times() -> None:
    frame = Frame(100 * SECOND, b"x")
    fast = listener_of({"clock-off": make_fault("clock-off")})
    old = listener_of({"wrong-date": make_fault("wrong-date", severity=1.0)})
    assert fast.hear(frame) == Frame(171 * SECOND, b"x")
    assert old.hear(frame).utc_ns == 100 * SECOND - 86_400 * SECOND


# ITU-R P.525 and the plane earth, 450 MHz; dipoles, 2 dB of cable.
@pytest.mark.parametrize(
    ("distance_km", "loss_db"), [(1, 85.5), (2, 91.5), (5, 99.5), (10, 105.5), (15, 109.0)]
)
def test_the_free_space_loss_is_the_published_one(distance_km: float, loss_db: float) -> None:
    assert free_space_loss_db(450.0, distance_km) == pytest.approx(loss_db, abs=0.05)


@pytest.mark.parametrize(
    ("power_w", "distance_km", "free_dbm", "two_ray_dbm"),
    [(4, 5, -61.2, -94.1), (4, 10, -67.2, -106.1), (35, 10, -57.8, -96.7), (1, 5, -67.2, -100.1)],
)
def test_the_power_that_arrives_lies_between_two_known_bounds(
    power_w: float, distance_km: float, free_dbm: float, two_ray_dbm: float
) -> None:
    free = received_dbm(power_w, free_space_loss_db(450.0, distance_km))
    two_ray = received_dbm(power_w, two_ray_loss_db(450.0, distance_km, 3.0, 2.0))
    assert free == pytest.approx(free_dbm, abs=0.06)
    assert two_ray == pytest.approx(two_ray_dbm, abs=0.06)


def test_near_by_two_rays_lose_no_less_than_free_space() -> None:
    assert two_ray_loss_db(450.0, 0.01, 3.0, 2.0) == free_space_loss_db(450.0, 0.01)


def test_bit_errors_grow_as_the_signal_fades() -> None:
    rates = [bit_error_rate(power) for power in (-120.0, -110.0, -107.0, -100.0)]
    assert rates == sorted(rates, reverse=True)
    assert rates[0] < 0.5
    assert rates[-1] < 1e-12


def test_distance_drives_the_bit_errors() -> None:
    def rate(distance_km: float) -> float:
        path = RadioPath(distance_km=distance_km)
        channel: Channel = channel_of(Radio(path=path), {})
        return channel.bit_error_rate

    assert rate(2.0) < 1e-9
    assert 1e-6 < rate(6.0) < 1e-2
    assert rate(15.0) > 0.1
