"""Random numbers that depend on what they are for and when, and on nothing else.

Every stream of numbers has a key, made from a seed and from names of what it is for (satellite,
signal, kind of noise), and every number of it a counter, which is a time. So an epoch comes out the
same whether it is simulated alone, in a block or after any other.

The generator is the finaliser of SplitMix64 (Steele, Lea, Flood: Fast Splittable Pseudorandom
Number Generators, 2014; constants from memory) over key and counter: some ten operations a number.
"""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Keys = npt.NDArray[np.uint64]

_STEP = np.uint64(0x9E3779B97F4A7C15)
_FIRST, _SECOND = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
_S30, _S27, _S31, _S32 = (np.uint64(shift) for shift in (30, 27, 31, 32))
_LOW = np.uint64(0xFFFFFFFF)
_UNIT = 2.0**-32


def _mix(value: Keys) -> Keys:
    """Scatter all bits of each number; works on arrays of one dimension or more."""
    value = value ^ (value >> _S30)
    value *= _FIRST
    value ^= value >> _S27
    value *= _SECOND
    value ^= value >> _S31
    return value


def keys(seed: int, *names: int | IntArray | str) -> Keys:
    """Make keys from a seed and names.

    Parameters
    ----------
    seed : int
        Any whole number.
    *names : int, str or ndarray of int64, shape (n,)
        What the numbers are for; arrays give n keys.

    Returns
    -------
    ndarray of uint64, shape (n,) or (1,)
    """
    result = _mix(np.array([seed & 0xFFFFFFFFFFFFFFFF], dtype=np.uint64) + _STEP)
    for name in names:
        for number in _numbers(name):
            result = _mix((result ^ number) * _STEP + _STEP)
    return result


def _numbers(name: int | IntArray | str) -> list[Keys]:
    """Give a name as one array of numbers, or as several: eight letters go into each."""
    if isinstance(name, str):
        letters = name.encode()
        pieces = [letters[start : start + 8] for start in range(0, len(letters), 8)]
        return [np.array([int.from_bytes(piece, "big")], dtype=np.uint64) for piece in pieces]
    return [np.atleast_1d(np.asarray(name)).astype(np.uint64)]


def _bits(stream_keys: Keys, counters: IntArray) -> Keys:
    """Give 64 random bits for each pair: keys (n,) and counters (m,) or (m, n) give (m, n)."""
    count = np.asarray(counters).astype(np.uint64)
    if count.ndim == 1:
        count = count[:, np.newaxis]
    return _mix(stream_keys + count * _STEP)


def uniforms(stream_keys: Keys, counters: IntArray) -> FloatArray:
    """Draw from 0 (not reached) to 1.

    Parameters
    ----------
    stream_keys : ndarray of uint64, shape (n,)
    counters : ndarray of int64, shape (m,) or (m, n)
        Times, in any unit.

    Returns
    -------
    ndarray of float64, shape (m, n)
    """
    upper: FloatArray = (_bits(stream_keys, counters) >> _S32).astype(np.float64)
    return (upper + 0.5) * _UNIT


def normals(stream_keys: Keys, counters: IntArray) -> FloatArray:
    """Draw from the normal distribution of variance 1; shapes as `uniforms`."""
    return normal_pairs(stream_keys, counters)[0]


def normal_pairs(stream_keys: Keys, counters: IntArray) -> tuple[FloatArray, FloatArray]:
    """Draw two independent normal numbers a pair, for little more than the price of one.

    Box and Muller's transformation: two numbers in one direction come out as radius and angle.
    """
    bits = _bits(stream_keys, counters)
    radius = np.sqrt(-2.0 * np.log(((bits >> _S32).astype(np.float64) + 0.5) * _UNIT))
    angle = (bits & _LOW).astype(np.float64) * (2.0 * np.pi * _UNIT)
    return radius * np.cos(angle), radius * np.sin(angle)


def smooth(stream_keys: Keys, gps_ms: IntArray, spacing_s: float) -> tuple[FloatArray, FloatArray]:
    """Give noise of variance 1 that changes smoothly, and its rate.

    Parameters
    ----------
    stream_keys : ndarray of uint64, shape (n,)
    gps_ms : ndarray of int64, shape (m,)
        Times.
    spacing_s : float
        Of the knots: values are about half alike after one spacing and independent after four.

    Returns
    -------
    value, rate_s : ndarray of float64, shape (m, n)

    Notes
    -----
    A cubic B-spline over independent knots: value, rate and its change are continuous. The weights
    are scaled to unit variance, which ripples by a few per cent between the knots.
    """
    spacing_ms = max(1, round(spacing_s * 1000))
    knot, within_ms = np.divmod(gps_ms, spacing_ms)
    part = (within_ms / spacing_ms)[:, np.newaxis]
    first = int(knot.min()) if knot.size else 0
    count = int(knot.max()) - first + 4 if knot.size else 4
    knots = normals(stream_keys, np.arange(first, first + count))
    place = knot - first
    rest = 1.0 - part
    weights = (
        rest**3 / 6.0,
        (4.0 - 6.0 * part**2 + 3.0 * part**3) / 6.0,
        (4.0 - 6.0 * rest**2 + 3.0 * rest**3) / 6.0,
        part**3 / 6.0,
    )
    slopes = (
        -(rest**2) / 2.0,
        (3.0 * part**2 - 4.0 * part) / 2.0,
        (4.0 * rest - 3.0 * rest**2) / 2.0,
        part**2 / 2.0,
    )
    value = np.zeros((len(gps_ms), len(stream_keys)))
    rate = np.zeros_like(value)
    for step, (weight, slope) in enumerate(zip(weights, slopes, strict=True)):
        row = knots[place + step]
        value += weight * row
        rate += slope * row
    return value * _SPLINE_SCALE, rate * (_SPLINE_SCALE * 1000.0 / spacing_ms)


# The squared weights of a cubic B-spline add up to 151/315 on average over a step.
_SPLINE_SCALE = (315.0 / 151.0) ** 0.5
