"""Which satellites and signals come just now, how strong, and which went away lately."""

from dataclasses import dataclass

import numpy as np

from rtcmtool.gnss.signals import band_label
from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations
from rtcmtool.wire.signal_ids import SIGNALS

LATELY_S = 1800  # a satellite that went away is told for half an hour
_SATELLITES = 128  # RINEX numbers fit
_SIGNALS = len(SIGNALS)
_NEVER = -1


@dataclass(frozen=True, slots=True)
class BandNow:
    """One band of one system: its name, satellites, and the signals that count as it."""

    label: str
    satellites: int
    signals: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SignalNow:
    """One signal of one system: RINEX name, its band, satellites, and the weakest of them."""

    name: str
    label: str
    satellites: int
    weakest: str


@dataclass(frozen=True, slots=True)
class Weakest:
    """The weakest signal of a system."""

    satellite: str
    band: str
    cnr_dbhz: float


class SatellitesNow:
    """Remembers when each satellite and signal came last, and how strong it was."""

    def __init__(self) -> None:
        shape = (len(SYSTEM_LETTERS), _SATELLITES, _SIGNALS)
        self._seen_ns = np.full(shape, _NEVER, np.int64)
        self._cnr_dbhz = np.full(shape, np.nan, np.float32)
        self._latest_ns = _NEVER

    def update(self, observations: Observations, now_ns: int) -> None:
        """Take observations that came now (steady axis, ns)."""
        if not len(observations):
            return
        place = (
            observations.system,
            np.minimum(observations.satellite, _SATELLITES - 1),
            observations.signal,
        )
        self._seen_ns[place] = now_ns
        self._cnr_dbhz[place] = observations.cnr_dbhz
        self._latest_ns = now_ns

    def _present(self, reach_s: float) -> np.ndarray:
        return self._seen_ns >= max(self._latest_ns - round(reach_s * NS_PER_S), 0)

    def counts(self, reach_s: float) -> dict[str, int]:
        """Give satellites by RINEX letter, seen within `reach_s` before the latest observation."""
        if self._latest_ns == _NEVER:
            return {}
        present = self._present(reach_s).any(axis=2).sum(axis=1)
        return {
            letter: int(count)
            for letter, count in zip(SYSTEM_LETTERS, present, strict=True)
            if count
        }

    def bands(self, letter: str, reach_s: float) -> list[BandNow]:
        """Give the bands of a system that come, in the order of their RINEX digits."""
        if self._latest_ns == _NEVER:
            return []
        present = self._present(reach_s)[SYSTEM_LETTERS.index(letter)]
        by_label: dict[str, list[int]] = {}
        for signal in np.flatnonzero(present.any(axis=0)).tolist():
            by_label.setdefault(band_label(letter, SIGNALS[signal]), []).append(signal)
        return [
            BandNow(
                label,
                int(present[:, signals].any(axis=1).sum()),
                tuple(SIGNALS[signal] for signal in signals),
            )
            for label, signals in by_label.items()
        ]

    def signals(self, letter: str, reach_s: float) -> list[SignalNow]:
        """Give the signals of a system that come, in the order of their bands."""
        if self._latest_ns == _NEVER:
            return []
        system = SYSTEM_LETTERS.index(letter)
        present, strength = self._present(reach_s)[system], self._cnr_dbhz[system]
        found = []
        for signal in np.flatnonzero(present.any(axis=0)).tolist():
            here = np.flatnonzero(present[:, signal])
            told = here[~np.isnan(strength[here, signal])]
            weakest = "?"
            if len(told):
                least = int(told[np.argmin(strength[told, signal])])
                weakest = f"{letter}{least:02d}, {strength[least, signal]:.0f}"
            name = SIGNALS[signal]
            found.append(SignalNow(name, band_label(letter, name), len(here), weakest))
        return found

    def weakest(self, letter: str, reach_s: float) -> Weakest | None:
        """Give the weakest signal of a system; None where no strength is sent."""
        if self._latest_ns == _NEVER:
            return None
        system = SYSTEM_LETTERS.index(letter)
        strength = np.where(self._present(reach_s)[system], self._cnr_dbhz[system], np.nan)
        if np.isnan(strength).all():
            return None
        satellite, signal = divmod(int(np.nanargmin(strength)), _SIGNALS)
        return Weakest(
            f"{letter}{satellite:02d}",
            band_label(letter, SIGNALS[signal]),
            float(strength[satellite, signal]),
        )

    def gone(self, letter: str, reach_s: float) -> list[tuple[str, int]]:
        """Give satellites that went away lately, with when they were last seen (steady, ns)."""
        if self._latest_ns == _NEVER:
            return []
        last = self._seen_ns[SYSTEM_LETTERS.index(letter)].max(axis=1)
        lately = self._latest_ns - LATELY_S * NS_PER_S
        away = self._latest_ns - round(max(10 * reach_s, 30) * NS_PER_S)
        found = np.flatnonzero((last > max(lately, 0)) & (last < away))
        order = found[np.argsort(-last[found])]
        return [(f"{letter}{number:02d}", int(last[number])) for number in order.tolist()]
