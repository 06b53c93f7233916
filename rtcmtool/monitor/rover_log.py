"""A rover's whole log: qualities, ages, losses of fix, satellites and place over time.

`RoverState` reads the sentences; here every fix with a quality (GGA) is kept as a row, so that the
log can be joined in time to the base's stream. A log without arrival times carries its own: the
date of RMC or ZDA, else that of the stream.
"""

import re
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.time import UNIX_EPOCH
from rtcmtool.monitor.rover_state import InView, RoverFix, RoverState
from rtcmtool.monitor.steady_clock import NS_PER_S, Moment

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

FIXED, FLOAT, NONE = 4, 5, 0
MOST_FIXES = 2_000_000  # a hostile file is cut off
MOST_SKIES = 64
_NS_PER_MS = 1_000_000
_RMC = re.compile(rb"\$[A-Z]{2}RMC,(\d{6})[^,]*,(?:[^,]*,){7}(\d{6})")
_ZDA = re.compile(rb"\$[A-Z]{2}ZDA,(\d{6})[^,]*,(\d{2}),(\d{2}),(\d{4})")
# Talkers of GSV to RINEX letters, and what is added there: NMEA 0183 4.11, from memory.
_LETTERS = {"GP": ("G", 0), "GL": ("R", 64), "GA": ("E", 0), "GB": ("C", 0), "BD": ("C", 0),
            "GQ": ("J", 0)}  # fmt: skip
_FIRST_SBAS, _LAST_SBAS, _SBAS_OFFSET = 33, 64, 13


@dataclass(slots=True)
class SeenByRover:
    """One satellite of GSV over the log, RINEX name.

    Attributes
    ----------
    count, first, last : int
        Fixes at which it was there, and the numbers of the first and last of them.
    comings : int
        How often it came anew.
    elevation_deg : float or None
        Latest.
    strength_sum, strengths : float, int
        C/N0 where told.
    """

    first: int
    last: int
    count: int = 1
    comings: int = 1
    elevation_deg: float | None = None
    strength_sum: float = 0.0
    strengths: int = 0

    @property
    def cnr_dbhz(self) -> float | None:
        """Mean C/N0; None where none is told."""
        return self.strength_sum / self.strengths if self.strengths else None


@dataclass(frozen=True, eq=False, slots=True)
class SkySample:
    """Directions of GSV at one fix: UTC ms, RINEX names, and degrees of shape (n,)."""

    utc_ms: int
    names: tuple[str, ...]
    azimuth_deg: Floats
    elevation_deg: Floats


@dataclass(frozen=True, eq=False, slots=True)
class Columns:
    """Fixes with a quality, in order; shapes (n,). NaN where not told.

    Attributes
    ----------
    utc_ms : ndarray of int64
        Time of the fix; -1 where not told.
    quality : ndarray of int64
        Of GGA.
    age_s, satellites, in_view, hdop : ndarray of float64
        Age of corrections; satellites used; satellites of GSV; HDOP.
    latitude_deg, longitude_deg, height_m : ndarray of float64
        Place; height above the ellipsoid where the separation is told, else above the geoid.
    plan_sigma_m, height_sigma_m : ndarray of float64
        Standard deviations of GST.
    """

    utc_ms: Integers
    quality: Integers
    age_s: Floats
    satellites: Floats
    in_view: Floats
    hdop: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    height_m: Floats
    plan_sigma_m: Floats
    height_sigma_m: Floats

    def __len__(self) -> int:
        return len(self.quality)


@dataclass(slots=True)
class RoverLog:
    """Collects a rover's sentences; grows with the log, by some 80 bytes a fix.

    Attributes
    ----------
    about_utc_ns : int or None
        A time near the log, for sentences without a date.
    state : RoverState
        Counts of sentences, wrong check sums and unreadable lines.
    is_dated : bool
        Whether the sentences themselves tell the date.
    stations : Counter
        Fixes by station number of the corrections.
    station_changes : int
        How often that number changed.
    seen : dict
        Satellites of GSV by RINEX name.
    sky : list of SkySample
        Directions of satellites, spread over the log.
    bytes_read : int
        All bytes.
    """

    about_utc_ns: int | None = None
    state: RoverState = field(default_factory=RoverState)
    is_dated: bool = False
    stations: Counter[str] = field(default_factory=Counter)
    station_changes: int = 0
    seen: dict[str, SeenByRover] = field(default_factory=dict)
    sky: list[SkySample] = field(default_factory=list)
    bytes_read: int = 0
    _sky_every_ms: int = 30_000
    _rows: list[tuple[float, ...]] = field(default_factory=list)
    _now_ns: int | None = None
    _rest: bytes = b""
    _station: str | None = None

    def feed(self, data: bytes) -> None:
        """Take the next bytes of the log."""
        self.bytes_read += len(data)
        if not self.is_dated and (date_ns := date_of(data)) is not None:
            self.is_dated = True
            self._now_ns = date_ns
        if self._now_ns is None:
            self._now_ns = self.about_utc_ns or 0
        lines = (self._rest + data).splitlines(keepends=True)
        self._rest = b""
        if lines and not lines[-1].endswith((b"\n", b"\r")):
            self._rest = lines.pop()[-1024:]
        for line in lines:
            for fix in self.state.feed(line, Moment(self._now_ns, self._now_ns)):
                self._take(fix)

    def finish(self) -> None:
        """Tell that the log ends."""
        now_ns = self._now_ns or 0
        for fix in [*self.state.feed(self._rest, Moment(now_ns, now_ns)), *self.state.finish()]:
            self._take(fix)
        self._rest = b""

    def _take(self, fix: RoverFix) -> None:
        if fix.utc_ns is not None:
            self._now_ns = fix.utc_ns
        if fix.quality is None or len(self._rows) >= MOST_FIXES:
            return
        in_view = self._look(len(self._rows), fix.utc_ns)
        if fix.station is not None:
            self.stations[fix.station] += 1
            self.station_changes += self._station is not None and fix.station != self._station
            self._station = fix.station
        height_m = _value(fix.height_m) + (fix.geoid_separation_m or 0.0)
        told = fix.accuracy
        sigmas_m = (None, None, None) if told is None else (
            told.latitude_m, told.longitude_m, told.height_m,
        )  # fmt: skip
        north_m, east_m, up_m = (_value(sigma_m) for sigma_m in sigmas_m)
        self._rows.append(
            (
                -1 if fix.utc_ns is None else fix.utc_ns // _NS_PER_MS, fix.quality,
                _value(fix.age_s), _value(fix.satellites), in_view, _value(fix.hdop),
                _value(fix.latitude_deg), _value(fix.longitude_deg), height_m,
                float(np.hypot(north_m, east_m)), up_m,
            )
        )  # fmt: skip

    def _look(self, row: int, utc_ns: int | None) -> float:
        """Take the satellites of the latest GSV; give their number, NaN without any."""
        names: dict[str, InView] = {}
        for views in self.state.in_view.values():
            for view in views:
                name = rinex_name(view.satellite)
                if name is not None:
                    names.setdefault(name, view)
        self._keep_sky(names, utc_ns)
        for name, view in names.items():
            known = self.seen.get(name)
            if known is None:
                known = self.seen[name] = SeenByRover(row, row)
            elif known.last != row:
                known.comings += row > known.last + 1
                known.last = row
                known.count += 1
            known.elevation_deg = view.elevation_deg
            if view.cnr_dbhz:
                known.strength_sum += view.cnr_dbhz
                known.strengths += 1
        return float(len(names)) if names else np.nan

    def _keep_sky(self, names: dict[str, InView], utc_ns: int | None) -> None:
        """Keep the directions now and then, more seldom the longer the log."""
        if utc_ns is None:
            return
        utc_ms = utc_ns // _NS_PER_MS
        if self.sky and abs(utc_ms - self.sky[-1].utc_ms) < self._sky_every_ms:
            return
        told = {
            name: (view.azimuth_deg, view.elevation_deg)
            for name, view in names.items()
            if view.azimuth_deg is not None and view.elevation_deg is not None
        }
        if not told:
            return
        azimuth_deg, elevation_deg = np.array(list(told.values()), np.float64).T
        self.sky.append(SkySample(utc_ms, tuple(told), azimuth_deg, elevation_deg))
        if len(self.sky) > MOST_SKIES:
            self.sky = self.sky[::2]
            self._sky_every_ms *= 2

    @property
    def columns(self) -> Columns:
        """All fixes with a quality."""
        table = np.array(self._rows, np.float64).reshape(-1, 11).T
        return Columns(table[0].astype(np.int64), table[1].astype(np.int64), *table[2:])

    @property
    def is_rover_log(self) -> bool:
        """Whether it holds any fix with a quality."""
        return bool(self._rows)


def _value(number: float | None) -> float:
    return np.nan if number is None else float(number)


def rinex_name(satellite: str) -> str | None:
    """Give the RINEX name of a satellite of GSV; None where the talker names no system.

    Examples
    --------
    >>> rinex_name("GP05"), rinex_name("GL72"), rinex_name("GP40"), rinex_name("GN1")
    ('G05', 'R08', 'S27', None)
    """
    talker, number = satellite[:2], satellite[2:]
    if talker not in _LETTERS or not number.isdecimal():
        return None
    letter, offset = _LETTERS[talker]
    slot = int(number)
    if letter == "G" and _FIRST_SBAS <= slot <= _LAST_SBAS:
        letter, offset = "S", _SBAS_OFFSET
    return f"{letter}{slot - offset:02d}"


def date_of(data: bytes) -> int | None:
    """Find the first time with a date (RMC or ZDA), UTC ns."""
    rmc, zda = _RMC.search(data), _ZDA.search(data)
    if rmc is not None:
        clock, day = rmc[1].decode(), rmc[2].decode()
        text = f"{clock}{day[:4]}20{day[4:]}"
    elif zda is not None:
        text = "".join(part.decode() for part in zda.groups())
    else:
        return None
    try:
        moment = datetime.strptime(text, "%H%M%S%d%m%Y").replace(tzinfo=UTC)
    except ValueError:
        return None
    return round((moment - UNIX_EPOCH).total_seconds()) * NS_PER_S
