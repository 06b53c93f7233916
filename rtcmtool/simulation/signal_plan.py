"""What satellites send and how strongly it arrives."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.signals import carrier_hz
from rtcmtool.simulation import noise
from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_ids import SIGNAL_ID

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

Signals = Mapping[str, tuple[str, ...]]  # system letter -> RINEX signals

DEFAULT_SIGNALS: Signals = {
    "G": ("1C", "2W", "5Q"),
    "R": ("1C", "2C"),
    "E": ("1C", "5Q", "7Q"),
    "C": ("2I", "6I", "5P"),
    "J": ("1C", "2L", "5Q"),
}

# Signal strength by elevation, dB-Hz. The shape is that of a recorded geodetic receiver (medians of
# 10 degrees), about a decibel stronger: an open site with a good antenna. W follows twice the drop.
_ELEVATIONS_DEG = np.array([0.0, 5.0, 15.0, 25.0, 35.0, 50.0, 75.0, 90.0])
_CURVES_DBHZ = {
    "civil": np.array([32.0, 34.6, 37.6, 40.9, 43.9, 46.6, 49.4, 49.8]),
    "l2c": np.array([27.5, 29.7, 33.0, 36.4, 39.0, 41.3, 44.7, 45.2]),
    "wide": np.array([33.5, 36.2, 39.6, 41.9, 45.0, 47.2, 49.8, 50.2]),
    "semi-codeless": np.array([7.5, 10.0, 15.0, 21.5, 28.0, 40.5, 45.0, 45.8]),
}
_CURVE_OF_BAND = {"2": "l2c", "5": "wide", "7": "wide", "8": "wide"}
_CURVE_OF_SIGNAL = {
    "G2W": "semi-codeless", "G1W": "semi-codeless", "R2C": "l2c", "R2P": "l2c", "C2I": "civil",
    "C2X": "civil",
}  # fmt: skip

# Below these strengths phases are lost, dB-Hz: common practice, no source.
_LOSS_DBHZ, _LOSS_SEMI_CODELESS_DBHZ = 24.0, 8.0

# Code noise and multipath of a signal over those of L1 C/A: from the recordings' multipath values
# (5Q about half, 2W and 2L like L1).
_CODE_FACTORS = {"5": 0.45, "7": 0.55, "8": 0.4, "6": 0.7}

# Satellites of GPS that do not send the newer signals yet: shares, common knowledge of the 2020s.
_GPS_WITHOUT_L2C, _GPS_WITHOUT_L5 = 0.2, 0.4
_L2C, _L5 = frozenset({"2C", "2S", "2L", "2X"}), frozenset({"5I", "5Q", "5X"})


@dataclass(frozen=True, eq=False)
class SignalRows:
    """Every signal of every satellite that a receiver could measure; columns of shape (n,).

    Sorted by system, satellite and signal, as columns of observations are.
    """

    satellites: tuple[str, ...]  # shape (s,), what `satellite` points into
    satellite: IntArray
    system: npt.NDArray[np.uint8]
    number: npt.NDArray[np.uint8]
    signal: npt.NDArray[np.uint8]
    names: tuple[str, ...]  # RINEX signals
    carrier_hz: FloatArray
    channel: IntArray
    loss_dbhz: FloatArray  # strength at which lock is lost
    code_factor: FloatArray
    curve: IntArray  # place of the strength curve in `curves_dbhz`

    @property
    def size(self) -> int:
        """Number of rows."""
        return len(self.satellite)

    @property
    def letters(self) -> npt.NDArray[np.str_]:
        """System letter of each row."""
        return np.array([SYSTEM_LETTERS[code] for code in self.system], dtype="<U1")

    @property
    def bands(self) -> npt.NDArray[np.str_]:
        """Band digit of each row."""
        return np.array([name[0] for name in self.names], dtype="<U1")

    def take(self, kept: IntArray) -> "SignalRows":
        """Give some of the rows, with the satellites that they belong to.

        Parameters
        ----------
        kept : ndarray of int64
            Places, rising.
        """
        places, satellite = np.unique(self.satellite[kept], return_inverse=True)
        return SignalRows(
            satellites=tuple(self.satellites[place] for place in places),
            satellite=satellite.astype(np.int64),
            system=self.system[kept],
            number=self.number[kept],
            signal=self.signal[kept],
            names=tuple(self.names[place] for place in kept),
            carrier_hz=self.carrier_hz[kept],
            channel=self.channel[kept],
            loss_dbhz=self.loss_dbhz[kept],
            code_factor=self.code_factor[kept],
            curve=self.curve[kept],
        )

    @property
    def identity(self) -> IntArray:
        """Give a number for each row that says which satellite and signal it is."""
        code = self.system.astype(np.int64) << 16 | self.number.astype(np.int64) << 8
        return code | self.signal

    @property
    def satellite_identity(self) -> IntArray:
        """Give a number for each row that says which satellite it is, shape (n,)."""
        return self.system.astype(np.int64) << 8 | self.number.astype(np.int64)


def signal_rows(
    satellites: tuple[str, ...], channels: Mapping[str, int], signals: Signals, sky_seed: int
) -> SignalRows:
    """List what a receiver of some signals could measure.

    Parameters
    ----------
    satellites : tuple of str
        RINEX names.
    channels : mapping of str to int
        Frequency channels of the GLONASS satellites.
    signals : mapping of str to tuple of str
        What the receiver tracks, by system.
    sky_seed : int
        Decides which satellites send the newer signals.
    """
    ordered = tuple(sorted(satellites, key=lambda name: (SYSTEM_LETTERS.index(name[0]), name)))
    rows = [
        (place, name, signal)
        for place, name in enumerate(ordered)
        for signal in sorted(signals.get(name[0], ()), key=SIGNAL_ID.__getitem__)
        if is_sent(name, signal, sky_seed)
    ]
    names = tuple(signal for _, _, signal in rows)
    curves = [_curve_of(name[0], signal) for _, name, signal in rows]
    channel = [channels.get(name, 0) for _, name, _ in rows]
    weak = [curve == "semi-codeless" for curve in curves]
    return SignalRows(
        satellites=ordered,
        satellite=np.array([place for place, _, _ in rows], dtype=np.int64),
        system=np.array([SYSTEM_LETTERS.index(name[0]) for _, name, _ in rows], dtype=np.uint8),
        number=np.array([int(name[1:]) for _, name, _ in rows], dtype=np.uint8),
        signal=np.array([SIGNAL_ID[signal] for signal in names], dtype=np.uint8),
        names=names,
        carrier_hz=np.array(
            [carrier_hz(row[1][0], row[2], at) for row, at in zip(rows, channel, strict=True)]
        ),
        channel=np.array(channel, dtype=np.int64),
        loss_dbhz=np.where(weak, _LOSS_SEMI_CODELESS_DBHZ, _LOSS_DBHZ),
        code_factor=np.array([_CODE_FACTORS.get(signal[0], 1.0) for signal in names]),
        curve=np.array([tuple(_CURVES_DBHZ).index(curve) for curve in curves], dtype=np.int64),
    )


def is_sent(satellite: str, signal: str, sky_seed: int) -> bool:
    """Tell whether a satellite sends a signal: not all of GPS have L2C and L5."""
    if satellite[0] != "G" or signal not in _L2C | _L5:
        return True
    drawn = float(
        noise.uniforms(noise.keys(sky_seed, "block"), np.array([int(satellite[1:])]))[0, 0]
    )
    return drawn >= (_GPS_WITHOUT_L5 if signal in _L5 else _GPS_WITHOUT_L2C)


def strength_dbhz(rows: SignalRows, elevation_deg: FloatArray) -> FloatArray:
    """Give the usual strength of each row, shape (m, n).

    Parameters
    ----------
    rows : SignalRows
        Of n rows on s satellites.
    elevation_deg : ndarray, shape (m, s)
    """
    curves = np.stack(
        [np.interp(elevation_deg, _ELEVATIONS_DEG, curve) for curve in _CURVES_DBHZ.values()]
    )
    strength: FloatArray = np.moveaxis(curves[rows.curve, :, rows.satellite], 0, 1)
    return strength


def _curve_of(system: str, signal: str) -> str:
    return _CURVE_OF_SIGNAL.get(system + signal, _CURVE_OF_BAND.get(signal[0], "civil"))
