"""What stands beside the bytes: the description, the events and the outages, as text files.

Each is written a line or a file at a time and read back leniently: a line that a cut or a full disk
left half is counted and left out, never an error.
"""

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime, timedelta

import orjson

from rtcmtool.gnss.time import GPS_EPOCH, UNIX_EPOCH, iso, iso_utc

EventValue = str | int | float | bool | None

OUTAGE_COLUMNS = (
    "start_utc",
    "end_utc",
    "duration_s",
    "kind",
    "last_good_epoch_gps",
    "epochs_missed",
    "bytes_received",
    "crc_failures",
    "stations_heard",
    "note",
)

_CREDENTIALS = re.compile(r"//[^/\s@]*:[^/\s@]*@")
_FRACTION = re.compile(r"\.(\d{1,9})")


def has_credentials(text: str) -> bool:
    """Tell whether a text holds an address with `user:password@`."""
    return _CREDENTIALS.search(text) is not None


def utc_ns_from_iso(text: str) -> int:
    """Read an ISO 8601 instant with up to nine decimals; without a zone it is UTC.

    Raises
    ------
    ValueError
        If it is none.

    Examples
    --------
    >>> utc_ns_from_iso("2026-03-04T05:06:07.123456789Z")
    1772600767123456789
    """
    fraction = _FRACTION.search(text)
    whole = _FRACTION.sub("", text, count=1)
    instant = datetime.fromisoformat(whole)
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=UTC)
    seconds = (instant - UNIX_EPOCH) // timedelta(seconds=1)
    return seconds * 10**9 + (int(fraction[1].ljust(9, "0")) if fraction else 0)


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened while a capture was made.

    Attributes
    ----------
    utc_ns : int
        When, by the computer's clock.
    kind : str
        A word for programs: `start`, `reconnected`, `monitor-gap`, `clock-step`, `note`, `finding`.
    text : str
        A sentence for people.
    values : mapping
        Numbers and words that belong to it.
    """

    utc_ns: int
    kind: str
    text: str = ""
    values: Mapping[str, EventValue] = field(default_factory=dict)

    def line(self) -> bytes:
        """Write the event as one line of JSON."""
        head = {"utc": iso_utc(self.utc_ns, 6), "event": self.kind, "text": self.text}
        return orjson.dumps({**self.values, **head}, option=orjson.OPT_APPEND_NEWLINE)

    @classmethod
    def read(cls, line: bytes) -> "Event":
        """Read one line.

        Raises
        ------
        ValueError
            If it is no event.
        """
        found = _object(line)
        utc_ns = utc_ns_from_iso(str(found.pop("utc", "")))
        kind = str(found.pop("event", ""))
        return cls(utc_ns, kind, str(found.pop("text", "")), found)


@dataclass(frozen=True, slots=True)
class OutageRow:
    """One row of the outages file; times as far as they are known.

    Attributes
    ----------
    start_utc_ns, end_utc_ns : int
        Arrival of the last whole epoch before, and of the first of the whole ones after.
    duration_s : float
        Length, by a clock that does not step.
    kind : str
        `silence`, `garbled`, `no-observations`, `no-position` or `late`.
    last_good_epoch_gps_ms : int or None
        GPS time of the last whole epoch.
    epochs_missed : int or None
        Epochs that were due between.
    bytes_received, crc_failures : int
        What came meanwhile.
    stations_heard : tuple of int
        Their numbers.
    note : str
        More, for people.
    """

    start_utc_ns: int
    end_utc_ns: int
    duration_s: float
    kind: str
    last_good_epoch_gps_ms: int | None = None
    epochs_missed: int | None = None
    bytes_received: int = 0
    crc_failures: int = 0
    stations_heard: tuple[int, ...] = ()
    note: str = ""

    def line(self) -> bytes:
        """Write the row as one line of CSV."""
        epoch, missed = self.last_good_epoch_gps_ms, self.epochs_missed
        return csv_line(
            (
                iso_utc(self.start_utc_ns),
                iso_utc(self.end_utc_ns),
                f"{self.duration_s:.3f}",
                self.kind,
                "" if epoch is None else iso(epoch),
                "" if missed is None else str(missed),
                str(self.bytes_received),
                str(self.crc_failures),
                " ".join(str(station) for station in self.stations_heard),
                " ".join(self.note.split()),
            )
        )

    @classmethod
    def read(cls, row: Mapping[str, str]) -> "OutageRow":
        """Read one row by its column names.

        Raises
        ------
        ValueError, KeyError
            If a column is missing or does not hold what it should.
        """
        epoch, missed = row["last_good_epoch_gps"], row["epochs_missed"]
        return cls(
            utc_ns_from_iso(row["start_utc"]),
            utc_ns_from_iso(row["end_utc"]),
            float(row["duration_s"]),
            row["kind"],
            _gps_ms_from_iso(epoch) if epoch else None,
            int(missed) if missed else None,
            int(row["bytes_received"] or 0),
            int(row["crc_failures"] or 0),
            tuple(int(station) for station in row["stations_heard"].split()),
            row["note"],
        )


def csv_line(values: tuple[str, ...]) -> bytes:
    """Write one line of CSV, quoted where needed."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(values)
    return text.getvalue().encode()


def _gps_ms_from_iso(text: str) -> int:
    """Read a calendar label of GPS time, which has no zone letter."""
    label = datetime.fromisoformat(text).replace(tzinfo=UTC)
    return (label - GPS_EPOCH) // timedelta(milliseconds=1)


@dataclass(frozen=True, slots=True)
class Description:
    """What was recorded.

    Attributes
    ----------
    source : str
        Where the bytes came from, without user and password.
    version : str
        Version of the tool.
    start_utc_ns, end_utc_ns : int or None
        When the recording began, and when it was closed: None while it runs or after a crash.
    site : str or None
        Name of the site.
    site_sheet : str or None
        The text of the site sheet that was in force.
    recording : str or None
        Name of the whole recording, where this is a part of it.
    part : int or None
        Number of the part, the first is 1.
    size_bytes : int or None
        Bytes written, told at the end.
    simulated : bool
        Whether the base does not exist.
    note : str or None
        More, for people.
    series : str or None
        What a recording is told by over all its runs: old parts of a series may be deleted.
    """

    source: str
    version: str
    start_utc_ns: int | None = None
    end_utc_ns: int | None = None
    site: str | None = None
    site_sheet: str | None = None
    recording: str | None = None
    part: int | None = None
    size_bytes: int | None = None
    simulated: bool = False
    note: str | None = None
    series: str | None = None

    @property
    def is_complete(self) -> bool:
        """Whether the recording was closed in order."""
        return self.end_utc_ns is not None

    def document(self) -> bytes:
        """Write the description as a JSON document."""
        found: dict[str, EventValue] = {"tool": "rtcmtool"}
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name.endswith("_utc_ns"):
                found[item.name[:-3]] = None if value is None else iso_utc(value, 6)
            else:
                found[item.name] = value
        return orjson.dumps(found, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)

    @classmethod
    def read(cls, document: bytes) -> "Description":
        """Read a description; keys that are not known are left out.

        Raises
        ------
        ValueError
            If it is none, or a time in it is none.
        """
        found = _object(document)
        return cls(
            source=str(found.get("source") or ""),
            version=str(found.get("version") or ""),
            start_utc_ns=_optional_utc_ns(found.get("start_utc")),
            end_utc_ns=_optional_utc_ns(found.get("end_utc")),
            site=_optional_text(found.get("site")),
            site_sheet=_optional_text(found.get("site_sheet")),
            recording=_optional_text(found.get("recording")),
            part=_optional_int(found.get("part")),
            size_bytes=_optional_int(found.get("size_bytes")),
            simulated=found.get("simulated") is True,
            note=_optional_text(found.get("note")),
            series=_optional_text(found.get("series")),
        )


def _object(document: bytes) -> dict[str, EventValue]:
    """Read a JSON object; anything else is a ValueError."""
    found = orjson.loads(document)
    if isinstance(found, dict):
        return found
    raise ValueError("a JSON object was expected")


def _optional_utc_ns(value: object) -> int | None:
    return None if value is None else utc_ns_from_iso(str(value))


def _optional_text(value: object) -> str | None:
    return None if value is None else str(value)


def _optional_int(value: object) -> int | None:
    return value if isinstance(value, int) else None


def read_events(content: bytes) -> tuple[list[Event], int]:
    """Read a file of events.

    Returns
    -------
    list of Event
        In the order of the file.
    int
        Lines that are no event: torn or damaged.
    """
    events, torn = [], 0
    for line in content.splitlines():
        if not line.strip():
            continue
        try:
            events.append(Event.read(line))
        except ValueError:
            torn += 1
    return events, torn


def read_outages(content: bytes) -> tuple[list[OutageRow], int]:
    """Read a file of outages; give the rows and the number of rows that are torn or damaged."""
    whole, newline, rest = content.rpartition(b"\n")  # what follows the last newline is torn
    outages, torn = [], 1 if rest.strip(b"\0 \r") else 0
    text = (whole + newline).replace(b"\0", b"").decode(errors="replace")
    reader = csv.DictReader(io.StringIO(text, newline=""), restval="")
    try:
        for row in reader:
            try:
                outages.append(OutageRow.read(row))
            except (ValueError, KeyError):
                torn += 1
    except csv.Error:
        torn += 1
    return outages, torn
