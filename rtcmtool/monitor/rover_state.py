"""What a rover says of itself: NMEA sentences to quality, age, station, satellites and accuracy.

Sentences of one fix carry the same time of day and are joined by it; those without a time belong to
the fix being told. Wrong check sums are counted and left out. Reading is pynmea2's.
"""

from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any

import pynmea2

from rtcmtool.gnss.time import UNIX_EPOCH
from rtcmtool.monitor.steady_clock import NS_PER_S, Moment

LONGEST_LINE = 1024  # bytes without a line end; more is no NMEA
MOST_FIXES = 3600
MOST_CHANGES = 500
QUALITIES = {
    0: "no position",
    1: "single",
    2: "code differences",
    3: "PPS",
    4: "fixed",
    5: "float",
    6: "estimated",
    7: "typed in",
    8: "simulated",
}  # field 6 of GGA: NMEA 0183, from memory
_DAY_NS = 86_400 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Standard deviations of GST, m; None where not told."""

    latitude_m: float | None
    longitude_m: float | None
    height_m: float | None


@dataclass(frozen=True, slots=True)
class InView:
    """A satellite of GSV: talker and number, elevation and azimuth in degrees, strength."""

    satellite: str
    elevation_deg: float | None
    azimuth_deg: float | None
    cnr_dbhz: float | None


@dataclass(frozen=True, slots=True)
class RoverFix:
    """One fix of the rover.

    Attributes
    ----------
    at : Moment
        When its first sentence came.
    utc_ns : int or None
        The time that it is for, with the date of RMC or ZDA, else the nearest to its arrival.
    quality : int or None
        Of GGA: 4 fixed, 5 float, 2 code differences, 1 single, 0 none.
    age_s : float or None
        Age of the corrections.
    station : str or None
        Station number of the corrections, as told.
    satellites : int or None
        Used.
    hdop : float or None
    latitude_deg, longitude_deg : float or None
    height_m, geoid_separation_m : float or None
        Above the geoid, and the geoid above the ellipsoid.
    accuracy : Accuracy or None
    """

    at: Moment
    utc_ns: int | None = None
    quality: int | None = None
    age_s: float | None = None
    station: str | None = None
    satellites: int | None = None
    hdop: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    height_m: float | None = None
    geoid_separation_m: float | None = None
    accuracy: Accuracy | None = None

    @property
    def word(self) -> str:
        """The quality for people."""
        return "not told" if self.quality is None else QUALITIES.get(self.quality, "unknown")


@dataclass(frozen=True, slots=True)
class QualityChange:
    """The quality of the fixes from a moment on."""

    at: Moment
    quality: int | None


class RoverState:
    """Follows the sentences of one rover; its size does not grow with the session.

    Attributes
    ----------
    latest : RoverFix or None
        The last fix that is complete, else the one being told.
    fixes : deque of RoverFix
        The latest hour at one a second.
    changes : deque of QualityChange
        The latest changes of quality.
    sentences, wrong_sums, unreadable : int
        Sentences read, those whose check sum fails or is cut off, and lines that are none.
    qualities : Counter
        Fixes by quality.
    in_view : dict
        Satellites of the latest GSV, by talker and signal.
    """

    def __init__(self) -> None:
        self.fixes: deque[RoverFix] = deque(maxlen=MOST_FIXES)
        self.changes: deque[QualityChange] = deque(maxlen=MOST_CHANGES)
        self.qualities: Counter[int] = Counter()
        self.sentences = self.wrong_sums = self.unreadable = 0
        self.in_view: dict[str, list[InView]] = {}
        self._rest = b""
        self._date: date | None = None
        self._time: time | None = None
        self._fix: RoverFix | None = None
        self._views: dict[str, list[InView]] = {}

    @property
    def latest(self) -> RoverFix | None:
        """The last complete fix; at the start the one being told."""
        return self.fixes[-1] if self.fixes else self._fix

    def feed(self, data: bytes, now: Moment) -> list[RoverFix]:
        """Take bytes of the rover that came now; give the fixes that are complete."""
        lines = (self._rest + data).splitlines(keepends=True)
        self._rest = b""
        if lines and not lines[-1].endswith((b"\n", b"\r")):
            self._rest = lines.pop()[-LONGEST_LINE:]
        done: list[RoverFix] = []
        for line in lines:
            self._line(line, now, done)
        return done

    def finish(self) -> list[RoverFix]:
        """Tell that nothing more comes; give the last fix."""
        done: list[RoverFix] = []
        if self._rest and self._fix:
            self._line(self._rest, self._fix.at, done)
        self._rest = b""
        self._complete(done)
        return done

    def _line(self, line: bytes, now: Moment, done: list[RoverFix]) -> None:
        before, *parts = line.split(b"$")  # a cut sentence may run into the next
        rest = before.strip()
        # What stands before a sentence may be another format on the same port, if it is no text.
        self.unreadable += bool(rest) and (not parts or rest.isascii())
        for part in parts:
            self._sentence(part, now, done)

    def _sentence(self, part: bytes, now: Moment, done: list[RoverFix]) -> None:
        """Read what follows a dollar sign."""
        text = "$" + part.decode("ascii", errors="replace").strip()
        try:
            sentence = pynmea2.parse(text, check=True)
        except pynmea2.ChecksumError:
            self.wrong_sums += 1
            return
        except pynmea2.ParseError:
            self.unreadable += 1
            return
        self.sentences += 1
        kind = getattr(sentence, "sentence_type", "")
        self._learn_time(sentence, kind, now, done)
        if kind == "GGA":
            self._gga(sentence, now)
        elif kind == "GST":
            self._gst(sentence, now)
        elif kind == "GSA":
            self._gsa(sentence)
        elif kind == "GSV":
            self._gsv(sentence)

    def _learn_time(self, sentence: Any, kind: str, now: Moment, done: list[RoverFix]) -> None:
        """Begin a new fix where the time of day changes."""
        if kind not in {"GGA", "GST", "RMC", "ZDA", "GNS"}:
            return
        told = sentence.timestamp
        if kind == "RMC" and isinstance(sentence.datestamp, date):
            self._date = sentence.datestamp
        elif kind == "ZDA":
            self._date = _date(sentence.year, sentence.month, sentence.day) or self._date
        told = told.replace(tzinfo=None) if isinstance(told, time) else None
        if self._fix is None or (told is not None and told != self._time):
            self._complete(done)
            self._fix, self._time = RoverFix(now), told
        if self._fix.utc_ns is None and told is not None:
            self._fix = replace(self._fix, utc_ns=_utc_ns(told, self._date, now.utc_ns))

    def _complete(self, done: list[RoverFix]) -> None:
        fix, self._fix = self._fix, None
        if fix is None:
            return
        if fix.quality is not None:
            self.qualities[fix.quality] += 1
            if not self.changes or self.changes[-1].quality != fix.quality:
                self.changes.append(QualityChange(fix.at, fix.quality))
        self.fixes.append(fix)
        done.append(fix)

    def _gga(self, sentence: Any, now: Moment) -> None:
        has_position = bool(sentence.lat and sentence.lon)
        self._fix = replace(
            self._fix or RoverFix(now),
            quality=_whole(sentence.gps_qual),
            age_s=_number(sentence.age_gps_data),
            station=sentence.ref_station_id or None,
            satellites=_whole(sentence.num_sats),
            hdop=_number(sentence.horizontal_dil),
            latitude_deg=_degrees(sentence.lat, sentence.lat_dir, 2) if has_position else None,
            longitude_deg=_degrees(sentence.lon, sentence.lon_dir, 3) if has_position else None,
            height_m=_number(sentence.altitude),
            geoid_separation_m=_number(sentence.geo_sep),
        )

    def _gst(self, sentence: Any, now: Moment) -> None:
        accuracy = Accuracy(
            _number(sentence.std_dev_latitude),
            _number(sentence.std_dev_longitude),
            _number(sentence.std_dev_altitude),
        )
        self._fix = replace(self._fix or RoverFix(now), accuracy=accuracy)

    def _gsa(self, sentence: Any) -> None:
        hdop = _number(sentence.hdop)
        if self._fix is not None and self._fix.hdop is None and hdop is not None:
            self._fix = replace(self._fix, hdop=hdop)

    def _gsv(self, sentence: Any) -> None:
        fields = list(sentence.data)
        rest = fields[3:]
        signal = rest[-1] if len(rest) % 4 == 1 else ""
        key = f"{sentence.talker}{signal}"
        if _whole(sentence.msg_num) == 1:
            self._views[key] = []
        rows = [
            InView(
                f"{sentence.talker}{number}",
                _number(elevation), _number(azimuth), _number(strength),
            )
            for number, elevation, azimuth, strength in _fours(rest)
            if number
        ]  # fmt: skip
        views = self._views.setdefault(key, [])
        views.extend(rows[: max(64 - len(views), 0)])
        if _whole(sentence.msg_num) == _whole(sentence.num_messages):
            self.in_view[key] = views
            if len(self.in_view) > 32:
                self.in_view.pop(next(iter(self.in_view)))
                self._views.clear()


def _fours(fields: Sequence[str]) -> list[tuple[str, str, str, str]]:
    whole = len(fields) // 4 * 4
    return [
        (fields[at], fields[at + 1], fields[at + 2], fields[at + 3]) for at in range(0, whole, 4)
    ]


def _number(value: object) -> float | None:
    """Read a number; an empty or impossible field is None."""
    try:
        found = float(str(value))
    except ValueError:
        return None
    return found if abs(found) < 1e12 else None


def _whole(value: object) -> int | None:
    found = _number(value)
    return None if found is None else int(found)


def _degrees(text: str, direction: str, digits: int) -> float | None:
    """Read degrees and minutes (ddmm.mmmm), with so many digits for the degrees."""
    degrees, minutes = _number(text[:digits]), _number(text[digits:])
    if degrees is None or minutes is None:
        return None
    return (degrees + minutes / 60) * (-1 if direction in {"S", "W"} else 1)


def _date(year: object, month: object, day: object) -> date | None:
    try:
        return date(int(str(year)), int(str(month)), int(str(day)))
    except ValueError:
        return None


def _utc_ns(told: time, day: date | None, arrival_utc_ns: int) -> int:
    """Give the full time; without a date that day whose time is nearest to the arrival."""
    of_day = timedelta(
        hours=told.hour, minutes=told.minute, seconds=told.second, microseconds=told.microsecond
    )
    of_day_ns = of_day // timedelta(microseconds=1) * 1000
    if day is not None:
        midnight = datetime(day.year, day.month, day.day, tzinfo=UNIX_EPOCH.tzinfo)
        found = (midnight - UNIX_EPOCH) // timedelta(seconds=1) * NS_PER_S + of_day_ns
        # RMC may come last in its fix: around midnight its date is a day old.
        if abs(found - arrival_utc_ns) < _DAY_NS // 2:
            return found
    days = round((arrival_utc_ns - of_day_ns) / _DAY_NS)
    return days * _DAY_NS + of_day_ns
