"""From bytes to signal quality: ephemerides in the stream, whole recordings, any cut."""

import numpy as np
import pytest

from rtcmtool.monitor.base_fix import offset_enu_m
from rtcmtool.monitor.observed_epochs import place_of
from rtcmtool.monitor.phase_pairs import satellite_signal
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.simulation.broadcast import ephemeris_message
from rtcmtool.wire.encoding import frame_message
from rtcmtool.wire.stream import Chunk, StreamDecoder
from tests.made_skies import above, base_under_sky, constellation, state_under_sky
from tests.streams import ARP_M, START_MS, Sent, data_of, dated, merged, observed


def with_ephemerides(stream, *, first=20, step=2):
    """Send the records of all satellites above the horizon, one every other epoch."""
    names = set(above(0.0))
    records = [record for record in constellation() if record.satellite in names]
    sent = [
        Sent(first + step * place, 1019, frame_message(ephemeris_message(record)))
        for place, record in enumerate(records)
    ]
    return merged(stream, sent)


@pytest.mark.slow
def test_ephemerides_of_the_stream_give_place_and_sky():
    state = state_under_sky(with_ephemerides(base_under_sky(330)), ())
    fix = state.quality.fix
    assert fix.store.given == 0
    assert set(above()) <= set(fix.store.by_satellite)
    solution = fix.solution
    assert solution is not None
    assert np.abs(offset_enu_m(ARP_M, solution)).max() < 0.5
    assert fix.usual_dops is not None
    assert np.isfinite(fix.sky.elevation_deg[place_of(above()[0])])
    # epochs before the records were solved when these came
    assert solution.average.first_gps_ms == START_MS


def test_records_are_used_from_when_they_came():
    state = state_under_sky(with_ephemerides(base_under_sky(120)), ())
    for records in state.quality.fix.store.by_satellite.values():
        assert START_MS / 1000 + 18 <= records[0].transmitted_gps_s <= START_MS / 1000 + 120


@pytest.mark.slow
def test_ephemerides_and_any_cut_give_the_same():
    data = data_of(with_ephemerides(base_under_sky(150), first=33))

    def solution(piece_bytes):
        decoder, state = StreamDecoder(dated()), StreamState()
        for begin in range(0, len(data), piece_bytes):
            state.update(decoder.feed(Chunk(data[begin : begin + piece_bytes])))
        state.update(decoder.finish())
        state.finish()
        found = state.quality.fix.solution
        assert found is not None
        scatter = state.quality.arcs.multipath.scatter()
        return found.average.ecef_m.tolist(), scatter.squares.tolist(), scatter.cells.tolist()

    assert solution(700) == solution(1 << 20)


def test_channels_are_heard_frame_by_frame():
    quality = StreamState().quality
    decoder = StreamDecoder(dated())
    for batch in (decoder.feed(Chunk(data_of(observed(1087, 40)))), decoder.finish()):
        quality.update(batch)
    quality.finish()
    assert quality.arcs.satellite_hours == pytest.approx(6 * 39 / 3600)


# A static reference station with 45 minutes of MSM5; computed from it apart from this code:
# multipath of the first and second code, code noise of 5 to 7 mm, and a step of both codes of G02
# by 20.0 m at second 504 900 of the week, back at 505 801, with unbroken phases.
@pytest.fixture(scope="module")
def recording(open_data):
    data = (open_data / "static-msm5.rtcm3").read_bytes()
    decoder, state = StreamDecoder(), StreamState()
    for begin in range(0, len(data), 1 << 19):
        state.update(decoder.feed(Chunk(data[begin : begin + (1 << 19)])))
    state.update(decoder.finish())
    state.finish()
    return state.quality


@pytest.mark.open_data
@pytest.mark.slow
def test_the_code_steps_of_a_recording_are_found(recording):
    told = [
        (step.time_ms // 1000 % 604_800, step.satellite, step.signal, round(step.size_m, 1))
        for step in recording.arcs.code_steps
    ]
    assert told == [
        (504_900, "G02", "1C", 20.0),
        (504_900, "G02", "2W", 20.0),
        (505_801, "G02", "1C", -20.0),
        (505_801, "G02", "2W", -20.0),
    ]
    assert recording.arcs.clock_jump_count == 0


@pytest.mark.open_data
@pytest.mark.slow
def test_multipath_of_a_recording_is_that_of_the_reference(recording):

    scatter = recording.arcs.multipath.scatter()
    named = [satellite_signal(cell) for cell in scatter.cells.tolist()]
    for system, signal, expected in (
        ("G", "1C", 0.116), ("G", "5Q", 0.137), ("E", "1C", 0.123), ("E", "5Q", 0.143),
        ("E", "7Q", 0.085),
    ):  # fmt: skip
        wanted = np.array([name[0] == system and own == signal for name, own in named])
        assert scatter.rms(wanted) == pytest.approx(expected, rel=0.15)
        noise_m = recording.arcs.code_noise_m({(system, signal)})
        assert noise_m is not None
        assert 0.005 < noise_m < 0.0075


@pytest.mark.open_data
@pytest.mark.slow
def test_locks_lost_in_the_gap_of_a_recording_are_no_slips(recording):
    assert not recording.arcs.slips
    assert recording.arcs.satellite_hours == pytest.approx(18.26, abs=0.05)
