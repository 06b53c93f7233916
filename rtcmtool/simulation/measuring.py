"""The observables of a block of epochs: geometry, clocks, air, biases, noise, whole cycles."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.geodesy import ecef_from_enu
from rtcmtool.gnss.orbits import group_delay_s
from rtcmtool.gnss.satellites import Sight, sight
from rtcmtool.gnss.signals import C_M_S, carrier_hz
from rtcmtool.simulation import noise
from rtcmtool.simulation.receiver_effects import summed
from rtcmtool.simulation.receiver_epochs import ReceiverEpochs
from rtcmtool.simulation.signal_plan import SignalRows
from rtcmtool.simulation.tracking import Stretch, Tracking

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

_L1_HZ = carrier_hz("G", "1C")

# Noise of a signal of 45 dB-Hz, and what it grows to at most. Code, phase and their growth with
# falling strength: matched to the recordings (code 0.1 to 0.3 m, phase 0.3 mm high to 3 mm low).
_STRONG_DBHZ = 45.0
_CODE_M, _MOST_CODE_M = 0.10, 3.0
_PHASE_M, _MOST_PHASE_M = 0.0004, 0.006
_RATE_M_S, _MOST_RATE_M_S = 0.006, 0.2
_STRENGTH_DB, _STRENGTH_SWING_DB = 0.3, 0.5

# Code multipath: root mean square at the zenith and added to it at the horizon, m, and the angle
# over which that falls: between the recordings' quiet and busy sites.
_MULTIPATH_HIGH_M, _MULTIPATH_LOW_M, _MULTIPATH_FALL_DEG = 0.09, 0.50, 16.0
_PHASE_MULTIPATH = 0.006  # of the code's: millimetres
_QUICK_S, _SLOW_S = 25.0, 110.0
_MOST_CYCLES = 100  # between a signal and its code, about


@dataclass(frozen=True, eq=False)
class _Common:
    """What all signals of a satellite share; shape (m, s)."""

    seen: Sight
    range_m: FloatArray  # with clocks and troposphere
    rate_m_s: FloatArray
    ionosphere_m: FloatArray
    ionosphere_rate_m_s: FloatArray


def measure(
    tracking: Tracking, stretch: Stretch, gps_ms: IntArray, epoch: IntArray
) -> ReceiverEpochs:
    """Simulate the epochs of one stretch.

    Parameters
    ----------
    tracking : Tracking
    stretch : Stretch
        The one in which all epochs lie.
    gps_ms, epoch : ndarray of int64, shape (m,)
        Labels, and the numbers they get in the result.
    """
    rows = stretch.rows
    second = gps_ms // 1000 - stretch.first_s
    common = _geometry(tracking, stretch, gps_ms, second)
    strength = _strength_dbhz(tracking, stretch, gps_ms, second)
    code, phase, rate = _errors(tracking, stretch, gps_ms, second, common.seen)
    wavelength = C_M_S / rows.carrier_hz
    cycles, is_open = _whole_cycles(tracking, stretch, gps_ms, second)
    dispersion = (_L1_HZ / rows.carrier_hz) ** 2
    delay = _constant_delays_m(tracking, stretch)
    base = common.range_m[:, rows.satellite] + delay
    ionosphere = common.ionosphere_m[:, rows.satellite] * dispersion
    receiver = tracking.receiver
    pseudorange = base + ionosphere + code + rows.channel * receiver.glonass_code_bias_m
    phase_range = (
        base
        - ionosphere
        + phase
        + rows.channel * receiver.glonass_phase_bias_m
        + cycles * wavelength
    )
    phase_rate = (
        common.rate_m_s[:, rows.satellite]
        - common.ionosphere_rate_m_s[:, rows.satellite] * dispersion
        + rate
    )
    tracked = stretch.conditions.tracked[second]
    at, row = np.nonzero(tracked)
    return ReceiverEpochs(
        gps_ms=gps_ms,
        epoch=epoch[at],
        system=rows.system[row],
        satellite=rows.number[row],
        signal=rows.signal[row],
        pseudorange_m=pseudorange[at, row],
        phase_range_m=phase_range[at, row],
        phase_range_rate_m_s=phase_rate[at, row],
        cnr_dbhz=strength[at, row],
        lock_time_ms=gps_ms[at] - stretch.lock_start_ms[second[at], row],
        half_cycle=is_open[at, row],
        channel=rows.channel[row],
    )


def _geometry(tracking: Tracking, stretch: Stretch, gps_ms: IntArray, second: IntArray) -> _Common:
    """Give range and rate with clocks and air."""
    receiver, effects = tracking.receiver, tracking.effects
    start_gps_ms = tracking.constellation.start_gps_ms
    clock_s, clock_rate = receiver.clock.at(gps_ms, start_gps_ms, receiver.seed)
    jumps = summed([effect.clock_s(gps_ms) for effect in effects])
    if jumps is not None:
        clock_s = clock_s + jumps
    velocity = receiver.velocities_m_s(gps_ms)
    # The label is late by the clock: the antenna is where it was at the true time.
    place = receiver.places_m(gps_ms) - velocity * clock_s[:, np.newaxis]
    shift = summed([effect.shift_enu_m(gps_ms) for effect in effects])
    if shift is not None:
        place = place + ecef_from_enu(shift, place)
    seen = sight(
        stretch.table,
        gps_ms[:, np.newaxis],
        place[:, np.newaxis, :],
        -clock_s[:, np.newaxis],
    )
    air = tracking.sky.delays(
        place, seen.direction, seen.elevation_rad, stretch.elevation_rate_rad_s[second], gps_ms
    )
    approach = np.einsum("msi,mi->ms", seen.direction, velocity)
    ionosphere, ionosphere_rate = air.ionosphere_m, air.ionosphere_rate_m_s
    storm = summed(
        [e.storm_m_s(stretch.rows, gps_ms, tracking.constellation.seed) for e in effects]
    )
    if storm is not None:
        more, more_rate = tracking.sky.storm(place, seen.direction, gps_ms, storm)
        ionosphere, ionosphere_rate = ionosphere + more, ionosphere_rate + more_rate
    return _Common(
        seen,
        seen.range_m + C_M_S * (clock_s[:, np.newaxis] - seen.clock_s) + air.troposphere_m,
        seen.range_rate_m_s
        - approach
        + C_M_S * (clock_rate[:, np.newaxis] - seen.clock_rate_s_s)
        + air.troposphere_rate_m_s,
        ionosphere,
        ionosphere_rate,
    )


def _constant_delays_m(tracking: Tracking, stretch: Stretch) -> FloatArray:
    """Give the group delays of the satellites and the delays in the receiver, shape (n,)."""
    rows, receiver = stretch.rows, tracking.receiver
    sent = np.array(
        [
            group_delay_s(stretch.table.ephemerides[satellite], name)
            for satellite, name in zip(rows.satellite, rows.names, strict=True)
        ]
    )
    # QZSS goes through the same paths as GPS.
    system = np.where(rows.letters == "J", 0, rows.system).astype(np.int64)
    keys = noise.keys(receiver.seed, "delay", system << 8 | rows.signal.astype(np.int64))
    own = 2.0 * noise.uniforms(keys, np.zeros(1, dtype=np.int64))[0] - 1.0
    delays: FloatArray = C_M_S * sent + receiver.hardware_delay_m * own
    return delays


def _strength_dbhz(
    tracking: Tracking, stretch: Stretch, gps_ms: IntArray, second: IntArray
) -> FloatArray:
    """Give the strengths as the receiver tells them, shape (m, n)."""
    seed, rows, conditions = tracking.receiver.seed, stretch.rows, stretch.conditions
    white = noise.normals(noise.keys(seed, "strength", rows.identity), gps_ms)
    swing, _ = noise.smooth(noise.keys(seed, "swing", rows.identity), gps_ms, 40.0)
    factor = tracking.receiver.noise
    own = factor * (_STRENGTH_DB * white + _STRENGTH_SWING_DB * swing)
    strength: FloatArray = (
        conditions.strength_dbhz[second] + own + white * conditions.strength_jitter_db[second]
    )
    return np.maximum(strength, 1.0)


def _errors(
    tracking: Tracking, stretch: Stretch, gps_ms: IntArray, second: IntArray, seen: Sight
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give noise and multipath of code, phase (m) and rate (m/s), shape (m, n)."""
    receiver, rows, conditions = tracking.receiver, stretch.rows, stretch.conditions
    growth = _growth(rows, conditions.strength_dbhz[second])
    first, other = noise.normal_pairs(noise.keys(receiver.seed, "noise", rows.identity), gps_ms)
    third = noise.normals(noise.keys(receiver.seed, "rate", rows.identity), gps_ms)
    code_sigma = np.minimum(_CODE_M * growth, _MOST_CODE_M) * rows.code_factor
    code = receiver.noise * _smoothed(
        receiver.smoothing_s, code_sigma, first, rows, tracking, gps_ms
    )
    phase = receiver.noise * np.minimum(_PHASE_M * growth, _MOST_PHASE_M) * other
    phase += conditions.phase_jitter_m[second] * other
    rate = receiver.noise * np.minimum(_RATE_M_S * growth, _MOST_RATE_M_S) * third
    factor = conditions.multipath[second]
    if np.any(factor):
        elevation = np.degrees(seen.elevation_rad)[:, rows.satellite]
        size = factor * (
            _MULTIPATH_HIGH_M
            + _MULTIPATH_LOW_M * np.exp(-np.maximum(elevation, 0.0) / _MULTIPATH_FALL_DEG)
        )
        keys = noise.keys(receiver.seed, "multipath", rows.identity)
        quick, _ = noise.smooth(keys, gps_ms, _QUICK_S)
        slow, _ = noise.smooth(keys ^ np.uint64(1), gps_ms, _SLOW_S)
        # What swings more quickly than the smoothing is smoothed away.
        passed = _QUICK_S / (_QUICK_S + receiver.smoothing_s)
        code += size * rows.code_factor * (0.6 * passed * quick + 0.8 * slow)
        own, own_rate = noise.smooth(keys ^ np.uint64(2), gps_ms, _QUICK_S)
        phase += _PHASE_MULTIPATH * size * own
        rate += _PHASE_MULTIPATH * size * own_rate
    return code, phase, rate


def _growth(rows: SignalRows, strength_dbhz: FloatArray) -> FloatArray:
    """Give how much noisier than a strong signal; semi-codeless strengths count half."""
    weight = np.where(rows.loss_dbhz < 20.0, 0.5, 1.0)
    growth: FloatArray = 10.0 ** (weight * (_STRONG_DBHZ - strength_dbhz) / 20.0)
    return growth


def _smoothed(
    smoothing_s: float,
    sigma: FloatArray,
    white: FloatArray,
    rows: SignalRows,
    tracking: Tracking,
    gps_ms: IntArray,
) -> FloatArray:
    """Give code noise; after carrier smoothing it is small and slow."""
    if smoothing_s <= 0.0:
        return sigma * white
    keys = noise.keys(tracking.receiver.seed, "smoothed", rows.identity)
    slow, _ = noise.smooth(keys, gps_ms, max(smoothing_s / 2.0, 1.0))
    left = 1.0 / np.sqrt(1.0 + 2.0 * smoothing_s)
    smoothed: FloatArray = sigma * (left * slow + left**2 * white)
    return smoothed


def _whole_cycles(
    tracking: Tracking, stretch: Stretch, gps_ms: IntArray, second: IntArray
) -> tuple[FloatArray, BoolArray]:
    """Give the cycles on each phase (half ones while open) and whether the half is open."""
    receiver, rows = tracking.receiver, stretch.rows
    keys = noise.keys(receiver.seed, "cycles", rows.identity)
    arc = stretch.arc[second]
    drawn = noise.uniforms(keys, arc)
    # Sizes from one to a hundred, the small ones often; neighbours differ: one even, one odd.
    size = np.floor(0.5 * _MOST_CYCLES ** np.abs(2.0 * drawn - 1.0)) * np.sign(drawn - 0.5)
    cycles = 2.0 * size + arc % 2
    since_ms = gps_ms[:, np.newaxis] - stretch.lock_start_ms[second]
    young = since_ms < receiver.half_cycle_s * 1000.0
    is_open = young | stretch.conditions.half_cycle[second]
    flipped = noise.uniforms(keys ^ np.uint64(1), arc) < 0.5
    cycles += 0.5 * (is_open & flipped)
    return cycles, is_open
