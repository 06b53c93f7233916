"""Known marks: a name and geodetic coordinates, and the list of them that a crew carries along."""

import csv
import io
import math
import re
from dataclasses import dataclass

from rtcmtool.errors import UsageError
from rtcmtool.gnss.geodesy import FloatArray, ecef_from_degrees

LOWEST_M, HIGHEST_M = -500.0, 9000.0  # ellipsoidal height of any ground a base can stand on
COLUMNS = ("name", "latitude_deg", "longitude_deg", "ellipsoidal_height_m")
MOST_MARKS = 100_000  # a list for a job has some hundred; more is a wrong file
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_LOW = (-90.0, -180.0, LOWEST_M)
_HIGH = (90.0, 180.0, HIGHEST_M)


@dataclass(frozen=True, slots=True)
class KnownMark:
    """A surveyed point.

    Attributes
    ----------
    name : str
        What the crew calls it.
    latitude_deg, longitude_deg : float
        Geodetic.
    ellipsoidal_height_m : float
        Not levelled.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    ellipsoidal_height_m: float

    @property
    def ecef_m(self) -> FloatArray:
        """Earth-fixed coordinates, shape (3,), m."""
        return ecef_from_degrees(self.latitude_deg, self.longitude_deg, self.ellipsoidal_height_m)


def parse_marks(text: str) -> tuple[KnownMark, ...]:
    r"""Read a list of known marks.

    Parameters
    ----------
    text : str
        Separated by commas, semicolons or tabs; its first line names the columns of `COLUMNS`.
        Further columns are ignored.

    Raises
    ------
    UsageError
        If a column is missing or a value impossible; names the line.

    Examples
    --------
    >>> parse_marks("name,latitude_deg,longitude_deg,ellipsoidal_height_m\nA,1,2,3\n")[0].name
    'A'
    """
    text = text.removeprefix("\ufeff")
    lines = io.StringIO(text, newline=None)  # whatever ends them
    head = lines.readline()
    lines.seek(0)
    delimiter = next((mark for mark in ";\t" if mark in head), ",")
    rows = csv.DictReader(lines, delimiter=delimiter, strict=True)
    marks = []
    try:
        names = {(name or "").strip(): name for name in rows.fieldnames or ()}
        missing = [name for name in COLUMNS if name not in names]
        if missing:
            raise UsageError(
                f"line 1: the column {missing[0]} is missing.",
                do=f"begin the list with the line: {','.join(COLUMNS)}",
            )
        for row in rows:
            cells = [(row[names[name]] or "").strip() for name in COLUMNS]
            if not any(cells):
                continue
            marks.append(KnownMark(cells[0], *_numbers(cells[1:], rows.line_num)))
            if len(marks) > MOST_MARKS:
                raise UsageError(
                    f"it holds more than {MOST_MARKS} marks.", do="keep those near the site."
                )
    except csv.Error as error:
        raise UsageError(
            f"line {rows.line_num + 1}: this is no list of marks ({error}).",
            do=f"write a mark a line, below the line: {','.join(COLUMNS)}",
        ) from error
    return tuple(marks)


def _numbers(cells: list[str], line: int) -> tuple[float, float, float]:
    values = []
    for name, cell, low, high in zip(COLUMNS[1:], cells, _LOW, _HIGH, strict=True):
        value = float(cell) if _NUMBER.fullmatch(cell) else math.nan
        if not low <= value <= high:
            raise UsageError(
                f"line {line}: {name} = {cell!r} is impossible.",
                why=f"it must be a number from {low:g} to {high:g}, with a decimal point.",
                do="write a point for a decimal comma." if "," in cell else "correct the line.",
            )
        values.append(value)
    return values[0], values[1], values[2]
