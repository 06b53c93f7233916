"""GNSS time: one integer scale inside, conversions at the edges, weeks and days resolved.

Two units are used everywhere: `gps_ms`, milliseconds since 1980-01-06 00:00:00 GPS time (int), for
epochs, and `utc_ns`, nanoseconds since 1970-01-01 00:00:00 UTC (int), for arrivals. GPS time does
not know leap seconds; `utc_ns` counts 86 400 s to every day, as computer clocks do.

Galileo system time and QZSS time carry the labels of GPS time (Galileo OS SIS ICD; IS-QZSS-PNT,
both from memory), BeiDou time is GPS time minus 14 s, GLONASS time is UTC + 3 h.
"""

from bisect import bisect_right
from datetime import UTC, date, datetime, timedelta

GPS_EPOCH = datetime(1980, 1, 6, tzinfo=UTC)  # IS-GPS-200 20.3.3.3.1.1, from memory
UNIX_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MJD_OF_GPS_EPOCH = 44244  # days

SECONDS_PER_DAY = 86_400
SECONDS_PER_WEEK = 604_800
MS_PER_SECOND = 1000
MS_PER_DAY = 86_400_000
MS_PER_WEEK = 604_800_000
NS_PER_MS = 1_000_000
NS_PER_SECOND = 1_000_000_000
GPS_EPOCH_UTC_NS = 315_964_800 * NS_PER_SECOND

GALILEO_WEEK_OFFSET = 1024  # GPS week = Galileo week + 1024: Galileo OS SIS ICD, from memory
BDT_WEEK_OFFSET = 1356  # GPS week = BDT week + 1356: BDS-SIS-ICD, from memory
BDT_BEHIND_GPS_S = 14  # BDT = GPS time - 14 s: BDS-SIS-ICD, from memory
BDT_BEHIND_GPS_MS = 14_000
GLONASS_AHEAD_OF_UTC_MS = 10_800_000  # UTC(SU) + 3 h: GLONASS ICD 5.1, from memory

# First UTC day on which GPS time minus UTC has the value (s). Source: leap-second list of the IANA
# time-zone data, 2026.6 (after IERS Bulletin C of July 2026: none in December 2026).
LEAP_SECONDS: tuple[tuple[date, int], ...] = (
    (date(1981, 7, 1), 1),
    (date(1982, 7, 1), 2),
    (date(1983, 7, 1), 3),
    (date(1985, 7, 1), 4),
    (date(1988, 1, 1), 5),
    (date(1990, 1, 1), 6),
    (date(1991, 1, 1), 7),
    (date(1992, 7, 1), 8),
    (date(1993, 7, 1), 9),
    (date(1994, 7, 1), 10),
    (date(1996, 1, 1), 11),
    (date(1997, 7, 1), 12),
    (date(1999, 1, 1), 13),
    (date(2006, 1, 1), 14),
    (date(2009, 1, 1), 15),
    (date(2012, 7, 1), 16),
    (date(2015, 7, 1), 17),
    (date(2017, 1, 1), 18),
)
LEAP_TABLE_VALID_UNTIL = date(2027, 6, 28)  # the list's own date of expiry: IANA

_LEAP_VALUES = (0, *(value for _, value in LEAP_SECONDS))
_LEAP_STARTS_UTC_NS = tuple(
    (day - UNIX_EPOCH.date()).days * SECONDS_PER_DAY * NS_PER_SECOND for day, _ in LEAP_SECONDS
)
_LEAP_STARTS_GPS_MS = tuple(
    (day - GPS_EPOCH.date()).days * MS_PER_DAY + value * MS_PER_SECOND
    for day, value in LEAP_SECONDS
)


def leap_seconds_at_utc(utc_ns: int) -> int:
    """Give GPS time minus UTC, in seconds, at a UTC instant.

    Examples
    --------
    >>> leap_seconds_at_utc(1_772_600_767 * 10**9)
    18
    """
    return _LEAP_VALUES[bisect_right(_LEAP_STARTS_UTC_NS, utc_ns)]


def leap_seconds_at_gps(gps_ms: int) -> int:
    """Give GPS time minus UTC, in seconds, at a GPS instant.

    Notes
    -----
    During an inserted second (23:59:60) the old value still holds, so that second is labelled as
    the first second of the new day, once more: `utc_ns` has no label of its own for it.
    """
    return _LEAP_VALUES[bisect_right(_LEAP_STARTS_GPS_MS, gps_ms)]


def is_leap_table_valid(utc_ns: int, until: date = LEAP_TABLE_VALID_UNTIL) -> bool:
    """Tell whether the leap-second table is known to hold at a UTC instant.

    Parameters
    ----------
    utc_ns : int
        The instant.
    until : date
        A later day, where a newer list than the table was found to agree with it.
    """
    days = utc_ns // (SECONDS_PER_DAY * NS_PER_SECOND)
    return UNIX_EPOCH.date() + timedelta(days=days) <= until


def gps_ms_from_utc_ns(utc_ns: int, *, leap_seconds: int | None = None) -> int:
    """Convert a UTC instant to GPS time.

    Parameters
    ----------
    utc_ns : int
        Nanoseconds since 1970-01-01 00:00:00 UTC.
    leap_seconds : int, optional
        GPS time minus UTC, s, where the stream tells it (message 1013); else the table.

    Returns
    -------
    int
        Milliseconds since 1980-01-06 00:00:00 GPS time, rounded down.

    Examples
    --------
    >>> iso(gps_ms_from_utc_ns(1_772_600_767 * 10**9))
    '2026-03-04T05:06:25.000'
    """
    leap = leap_seconds_at_utc(utc_ns) if leap_seconds is None else leap_seconds
    return (utc_ns - GPS_EPOCH_UTC_NS) // NS_PER_MS + leap * MS_PER_SECOND


def utc_ns_from_gps_ms(gps_ms: int, *, leap_seconds: int | None = None) -> int:
    """Convert GPS time to UTC; the inverse of `gps_ms_from_utc_ns` at whole milliseconds."""
    leap = leap_seconds_at_gps(gps_ms) if leap_seconds is None else leap_seconds
    return (gps_ms - leap * MS_PER_SECOND) * NS_PER_MS + GPS_EPOCH_UTC_NS


def gps_ms_from_mjd(mjd: int, utc_seconds: float, *, leap_seconds: int | None = None) -> int:
    """Convert a modified Julian day and UTC second of day (messages 1013, 1029) to GPS time.

    Notes
    -----
    The leap seconds are those at the start of the day, so second 86 400, the inserted one, comes
    out where it belongs.

    Examples
    --------
    >>> gps_ms_from_mjd(44244, 0.0)
    0
    """
    day_ms = (mjd - MJD_OF_GPS_EPOCH) * MS_PER_DAY
    if leap_seconds is None:
        leap_seconds = leap_seconds_at_utc(day_ms * NS_PER_MS + GPS_EPOCH_UTC_NS)
    return day_ms + round(utc_seconds * MS_PER_SECOND) + leap_seconds * MS_PER_SECOND


def gps_ms_from_date(
    year: int, month: int, day: int, hour: int = 0, minute: int = 0, second: float = 0.0
) -> int:
    """Convert a calendar label of GPS time (not of UTC) to `gps_ms`.

    Raises
    ------
    ValueError
        If there is no such day.

    Examples
    --------
    >>> week_and_seconds(gps_ms_from_date(2021, 3, 19, 12))
    (2149, 475200.0)
    """
    days = (date(year, month, day) - GPS_EPOCH.date()).days
    return days * MS_PER_DAY + (hour * 60 + minute) * 60_000 + round(second * MS_PER_SECOND)


def gps_ms_from_week(week: int, tow_ms: int) -> int:
    """Join a full GPS week number and the milliseconds of that week."""
    return week * MS_PER_WEEK + tow_ms


def week_and_seconds(gps_ms: int) -> tuple[int, float]:
    """Split GPS time into the full week number and the seconds of the week."""
    week, tow_ms = divmod(gps_ms, MS_PER_WEEK)
    return week, tow_ms / MS_PER_SECOND


def glonass_day_and_ms(gps_ms: int, *, leap_seconds: int | None = None) -> tuple[int, int]:
    """Give the GLONASS day of the week (0 Sunday) and the milliseconds of that day."""
    leap = leap_seconds_at_gps(gps_ms) if leap_seconds is None else leap_seconds
    day, ms_of_day = divmod(gps_ms - leap * MS_PER_SECOND + GLONASS_AHEAD_OF_UTC_MS, MS_PER_DAY)
    return day % 7, ms_of_day


def nearest(reference_ms: int, field_ms: int, period_ms: int) -> int:
    """Find the value equal to a field modulo a period that lies nearest to a reference.

    Exactly half a period away, the later one is taken (round half up).

    Examples
    --------
    >>> nearest(1_000_010, 7, 1000), nearest(500, 0, 1000), nearest(499, 0, 1000)
    (1000007, 1000, 0)
    """
    periods = (2 * (reference_ms - field_ms) + period_ms) // (2 * period_ms)
    return field_ms + periods * period_ms


def resolve_gps_week(tow_ms: int, reference_gps_ms: int) -> int:
    """Place milliseconds of a GPS, Galileo, QZSS, SBAS or NavIC week near a known GPS time."""
    return nearest(reference_gps_ms, tow_ms, MS_PER_WEEK)


def resolve_bdt_week(tow_ms: int, reference_gps_ms: int) -> int:
    """Place milliseconds of a BeiDou week near a known GPS time."""
    return nearest(reference_gps_ms, tow_ms + BDT_BEHIND_GPS_MS, MS_PER_WEEK)


def resolve_glonass_day(
    ms_of_day: int,
    reference_gps_ms: int,
    day_of_week: int | None = None,
    *,
    leap_seconds: int | None = None,
) -> int:
    """Place milliseconds of a GLONASS day near a known GPS time.

    Parameters
    ----------
    ms_of_day : int
        Milliseconds of the GLONASS day, 0 to 86 400 999; what lies beyond 86 400 000 is read as
        the beginning of the next day.
    reference_gps_ms : int
        A known time, right within half a day (half a week where the day is known).
    day_of_week : int, optional
        0 (Sunday) to 6, as MSM sends it; None (or 7, the sent value for unknown): the nearest day.
    leap_seconds : int, optional
        GPS time minus UTC, s, where the stream tells it; else the table.

    Returns
    -------
    int
        GPS time, ms.

    Notes
    -----
    A leap second makes one GLONASS label (03:00:00) happen twice; the instant nearer to the
    reference is taken.
    """
    if day_of_week is None or not 0 <= day_of_week <= 6:
        label_ms, period_ms = ms_of_day, MS_PER_DAY
    else:
        label_ms, period_ms = day_of_week * MS_PER_DAY + ms_of_day, MS_PER_WEEK
    label_ms -= GLONASS_AHEAD_OF_UTC_MS
    if leap_seconds is not None:
        return nearest(reference_gps_ms, label_ms + leap_seconds * MS_PER_SECOND, period_ms)
    before = leap_seconds_at_gps(reference_gps_ms - period_ms)
    after = leap_seconds_at_gps(reference_gps_ms + period_ms)
    candidates = [
        nearest(reference_gps_ms, label_ms + leap * MS_PER_SECOND, period_ms)
        for leap in range(before, after + 1)
    ]
    consistent = [
        instant
        for leap, instant in zip(range(before, after + 1), candidates, strict=True)
        if leap_seconds_at_gps(instant) == leap
    ]
    return min(consistent or candidates, key=lambda instant: abs(instant - reference_gps_ms))


def resolve_week_number(
    week: int, modulus: int, reference_gps_ms: int | None, first_week: int
) -> int:
    """Restore a week number that was sent modulo 1024, 4096 or 8192.

    Parameters
    ----------
    week : int
        The number as sent, on the scale of GPS weeks (Galileo's + 1024, BeiDou's + 1356).
    modulus : int
        1024 (GPS, QZSS, NavIC), 4096 (Galileo) or 8192 (BeiDou).
    reference_gps_ms : int or None
        A known time, or None.
    first_week : int
        Without a reference: the first of the `modulus` weeks from which the answer is taken.

    Returns
    -------
    int
        Full GPS week.

    Examples
    --------
    >>> resolve_week_number(247, 1024, None, 2048)
    2295
    """
    if reference_gps_ms is None:
        return first_week + (week - first_week) % modulus
    return nearest(reference_gps_ms // MS_PER_WEEK, week, modulus)


def iso(gps_ms: int) -> str:
    """Write GPS time as a calendar label of GPS time, without a zone letter.

    Examples
    --------
    >>> iso(gps_ms_from_date(2026, 3, 4, 5, 6, 7.0))
    '2026-03-04T05:06:07.000'
    """
    seconds, ms = divmod(gps_ms, MS_PER_SECOND)
    label = GPS_EPOCH + timedelta(seconds=seconds)
    return f"{label:%Y-%m-%dT%H:%M:%S}.{ms:03d}"


def iso_utc(utc_ns: int, decimals: int = 3) -> str:
    """Write a UTC instant with 0 to 9 decimals of the second, cut and not rounded.

    Examples
    --------
    >>> iso_utc(1_772_600_767_123_999_999), iso_utc(1_772_600_767_123_999_999, 0)
    ('2026-03-04T05:06:07.123Z', '2026-03-04T05:06:07Z')
    """
    seconds, ns = divmod(utc_ns, NS_PER_SECOND)
    label = UNIX_EPOCH + timedelta(seconds=seconds)
    fraction = f".{ns:09d}"[: decimals + 1] if decimals > 0 else ""
    return f"{label:%Y-%m-%dT%H:%M:%S}{fraction}Z"
