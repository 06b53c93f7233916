"""How fast the ionosphere changes: slopes over a minute, and ROTI from samples 30 s apart.

At 1 s the rate of a delay is receiver noise, not sky: 2 to 9 mm/s on a quiet evening (computed on
real data). So slopes are fitted over windows of a minute, and the rate of total electron content
index (ROTI) is the scatter over 5 minutes of rates between samples 30 s apart (Pi et al. 1997, as
listed by Jacobsen 2014, Journal of Space Weather and Space Climate 4, A33).
"""

from collections import deque
from dataclasses import dataclass, field
from statistics import median, pstdev

import numpy as np

from rtcmtool.gnss.combinations import ionosphere_delay_m, tecu_from_delay
from rtcmtool.monitor.observed_epochs import PLACES, Booleans, Floats, Integers
from rtcmtool.monitor.phase_samples import Samples

WINDOW_MS = 60_000
LEAST_SPAN_MS = 30_000
ROTI_STEP_MS = 30_000
ROTI_RATES = 10  # 5 minutes
SEVERAL = 3  # satellites that must agree before the sky is blamed: judgement
MOST_WINDOWS = 10  # kept
_LEAST_SAMPLES = 4
_SETTLED_MS = 2 * WINDOW_MS


@dataclass(frozen=True, slots=True)
class IonosphereWindow:
    """One minute: absolute slopes of the delay on the first band, mm/s.

    Attributes
    ----------
    time_ms : int
        Its begin, on the timeline.
    satellites : int
        With a slope.
    common_mm_s : float
        Rate that several satellites reach.
    median_mm_s, fastest_mm_s : float
        Median and largest over the satellites.
    fastest : int
        Place of the fastest satellite.
    """

    time_ms: int
    satellites: int
    common_mm_s: float
    median_mm_s: float
    fastest_mm_s: float
    fastest: int

    @classmethod
    def of(cls, time_ms: int, rates_mm_s: dict[int, float]) -> "IonosphereWindow":
        """Sum up the rates of at least `SEVERAL` satellites, by place."""
        ordered = sorted(rates_mm_s.values(), reverse=True)
        fastest = max(rates_mm_s, key=lambda place: rates_mm_s[place])
        return cls(
            time_ms, len(ordered), ordered[SEVERAL - 1], median(ordered), ordered[0], fastest
        )


@dataclass(slots=True)
class _Thinned:
    """Samples 30 s apart of one satellite."""

    slot: int
    time_ms: int
    tecu: float
    breaks: int
    rates: deque[float] = field(default_factory=lambda: deque(maxlen=ROTI_RATES))


class IonosphereRates:
    """Follows the delay of every satellite with two bands.

    Attributes
    ----------
    windows : deque of IonosphereWindow
        The last ten minutes with several satellites, oldest first.
    window_count : int
        All windows of the session.
    worst, fastest : IonosphereWindow or None
        Of the whole session: with the largest rate common to several satellites, and with the
        largest of one.
    roti : dict of int to float
        Latest ROTI by place, TECU/min.
    worst_roti : tuple of (float, int) or None
        Largest ROTI of a satellite and its place.
    """

    def __init__(self) -> None:
        self.windows: deque[IonosphereWindow] = deque(maxlen=MOST_WINDOWS)
        self.window_count = 0
        self.worst: IonosphereWindow | None = None
        self.fastest: IonosphereWindow | None = None
        self.roti: dict[int, float] = {}
        self.worst_roti: tuple[float, int] | None = None
        self._open: dict[int, dict[int, float]] = {}  # window -> place -> rate, mm/s
        # The stretch of each satellite in its present window: count, reference and sums.
        self._window = np.full(PLACES, -1, np.int64)
        self._first_ms, self._last_ms = np.zeros(PLACES, np.int64), np.zeros(PLACES, np.int64)
        self._reference_m = np.zeros(PLACES)
        self._sums = np.zeros((5, PLACES))  # n, t, t^2, d, t d
        self._breaks = np.zeros(PLACES, np.int64)
        self._thinned: dict[int, _Thinned] = {}

    def add(self, samples: Samples, breaks: Booleans) -> None:
        """Take samples of the pairs that stand for satellites.

        Parameters
        ----------
        samples : Samples
            New samples of shape (n,), one a satellite and epoch.
        breaks : ndarray of bool, shape (n,)
            Whether the delay does not continue from the sample before.
        """
        if not len(samples):
            return
        order = np.lexsort((samples.time_ms, samples.place))
        samples, breaks = samples.take(order), breaks[order]
        ratio = samples.hub_hz / samples.carrier_hz
        delay_m = ionosphere_delay_m(samples.hub_phase_m, samples.phase_m, ratio)
        self._fit(samples.place, samples.time_ms, delay_m, breaks)
        self._thin(samples, tecu_from_delay(delay_m, samples.hub_hz), breaks)
        self._settle(int(samples.time_ms.max()) - _SETTLED_MS)

    def finish(self) -> None:
        """Tell that the stream ends: fit what is open."""
        self._end(np.flatnonzero(self._window >= 0))
        self._settle(None)

    def _fit(self, place: Integers, time_ms: Integers, delay_m: Floats, breaks: Booleans) -> None:
        window = time_ms // WINDOW_MS
        first = np.ones(len(place), np.bool_)
        first[1:] = place[1:] != place[:-1]
        begins = first | breaks
        begins[1:] |= window[1:] != window[:-1]
        begin = np.flatnonzero(begins)
        owner = place[begin]
        counts = np.diff(np.append(begin, len(place)))
        goes_on = first[begin] & ~breaks[begin] & (self._window[owner] == window[begin])
        origin = np.where(goes_on, self._first_ms[owner], time_ms[begin])
        reference = np.where(goes_on, self._reference_m[owner], delay_m[begin])
        t = (time_ms - np.repeat(origin, counts)) / 1000
        d = delay_m - np.repeat(reference, counts)
        columns = np.stack((np.ones(len(t)), t, t * t, d, t * d))
        sums = np.add.reduceat(columns, begin, axis=1)
        sums[:, goes_on] += self._sums[:, owner[goes_on]]
        last_ms = time_ms[begin + counts - 1]
        # What a later stretch of the same satellite follows is over.
        is_last = np.ones(len(begin), np.bool_)
        is_last[:-1] = owner[1:] != owner[:-1]
        replaced = owner[first[begin] & ~goes_on]
        self._end(replaced[self._window[replaced] >= 0])
        self._note(owner[~is_last], window[begin][~is_last], sums[:, ~is_last],
                   (last_ms - origin)[~is_last])  # fmt: skip
        own = owner[is_last]
        self._window[own], self._first_ms[own] = window[begin][is_last], origin[is_last]
        self._last_ms[own], self._reference_m[own] = last_ms[is_last], reference[is_last]
        self._sums[:, own] = sums[:, is_last]

    def _end(self, places: Integers) -> None:
        self._note(places, self._window[places], self._sums[:, places],
                   self._last_ms[places] - self._first_ms[places])  # fmt: skip
        self._window[places] = -1

    def _note(self, places: Integers, window: Integers, sums: Floats, span_ms: Integers) -> None:
        """Fit slopes to stretches that are over, and keep those long enough."""
        good = (span_ms >= LEAST_SPAN_MS) & (sums[0] >= _LEAST_SAMPLES)
        n, t, tt, d, td = sums[:, good]
        slopes = np.abs((n * td - t * d) / (n * tt - t * t)) * 1000
        for place, index, slope in zip(
            places[good].tolist(), window[good].tolist(), slopes.tolist(), strict=True
        ):
            rates = self._open.setdefault(index, {})
            rates[place] = max(slope, rates.get(place, 0.0))

    def _settle(self, before_ms: int | None) -> None:
        """Put away the windows that nothing can be added to."""
        over = [w for w in self._open if before_ms is None or (w + 1) * WINDOW_MS <= before_ms]
        for window in sorted(over):
            rates = self._open.pop(window)
            if len(rates) < SEVERAL:
                continue
            found = IonosphereWindow.of(window * WINDOW_MS, rates)
            self.windows.append(found)
            self.window_count += 1
            if self.worst is None or found.common_mm_s > self.worst.common_mm_s:
                self.worst = found
            if self.fastest is None or found.fastest_mm_s > self.fastest.fastest_mm_s:
                self.fastest = found

    def _thin(self, samples: Samples, tecu: Floats, breaks: Booleans) -> None:
        """Take the first sample of every 30 s, and the rates between them."""
        place, time_ms = samples.place, samples.time_ms
        first = np.ones(len(place), np.bool_)
        first[1:] = place[1:] != place[:-1]
        running = np.cumsum(breaks)
        base: Integers = (running - breaks)[first][np.cumsum(first) - 1]
        count = running - base + self._breaks[place]
        last = np.append(first[1:], True)
        self._breaks[place[last]] = count[last]
        slot = time_ms // ROTI_STEP_MS
        picked = first.copy()
        picked[1:] |= slot[1:] != slot[:-1]
        for one, index, time, content, broken in zip(
            *(column[picked].tolist() for column in (place, slot, time_ms, tecu, count)),
            strict=True,
        ):
            self._take_thinned(one, index, time, content, broken)

    def _take_thinned(self, place: int, slot: int, time_ms: int, tecu: float, breaks: int) -> None:
        known = self._thinned.get(place)
        if known is not None and known.slot == slot:
            return
        if known is None or slot != known.slot + 1 or breaks != known.breaks:
            self._thinned[place] = _Thinned(slot, time_ms, tecu, breaks)
            self.roti.pop(place, None)
            return
        known.rates.append((tecu - known.tecu) / (time_ms - known.time_ms) * 60_000)
        known.slot, known.time_ms, known.tecu = slot, time_ms, tecu
        if len(known.rates) == ROTI_RATES:
            value = self.roti[place] = pstdev(known.rates)
            if self.worst_roti is None or value > self.worst_roti[0]:
                self.worst_roti = (value, place)

    @property
    def median_roti(self) -> float | None:
        """Median of the latest ROTI over the satellites, TECU/min."""
        return median(self.roti.values()) if self.roti else None
