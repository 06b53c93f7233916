"""The values of a site sheet, checked one by one; what is wrong is told by its key and line."""

import difflib
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from rtcmtool.errors import UsageError
from rtcmtool.wire.catalogue import EXPERIMENTAL, KNOWN_TITLES, LAYOUTS, PROPRIETARY

Read = Callable[["Place", object], Any]
_HEADER = re.compile(r"^\s*\[{1,2}\s*([^\[\]]+?)\s*\]{1,2}\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_.\"' -]+?)\s*=")
_NUMBER = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)?")
_QUOTES = str.maketrans("", "", "\"' ")
LEAVE_OUT = "correct it, or put a # in front of the line to leave it out."


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands: its key, and the text of the sheet, to find the line."""

    key: str
    text: str

    @property
    def line(self) -> int | None:
        """Line of the key in the sheet, from 1; else that of the table around it, or None."""
        key = self.key
        while key:
            if key in (lines := _lines_of(self.text)):
                return lines[key]
            key = key.rpartition(".")[0]
        return None

    def inside(self, name: str) -> "Place":
        """Give the place of a part of this value."""
        return Place(f"{self.key}.{name}" if self.key else name, self.text)

    def error(self, message: str, **more: str) -> UsageError:
        """Give an error that begins with the line, where it is known."""
        line = self.line
        return UsageError(message if line is None else f"line {line}: {message}", **more)

    def wrong(self, value: object, wanted: str) -> UsageError:
        """Give the error for a value that cannot be."""
        return self.error(
            f"{self.key} = {shown(value)} is impossible.",
            why=f"it must be {wanted}.",
            do=_what_to_do(self.key, value, wanted),
        )

    def missing(self, name: str, why: str) -> UsageError:
        """Give the error for a key that is needed beside those that are there."""
        do = f"write a line {name} = ... in [{self.key}]."
        return self.error(f"{self.key}.{name} is missing.", why=why, do=do)


@lru_cache(maxsize=4)
def _lines_of(text: str) -> Mapping[str, int]:
    """Give the line of every key of a sheet, as far as simple reading finds them."""
    found: dict[str, int] = {}
    here = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            here = header[1].translate(_QUOTES)
            found.setdefault(here, number)
        elif key := _KEY.match(line):
            name = key[1].translate(_QUOTES)
            found.setdefault(f"{here}.{name}" if here else name, number)
    return found


def _what_to_do(key: str, value: object, wanted: str) -> str:
    """Say how to set a value right: what was probably meant, where that shows."""
    name = key.rpartition(".")[2]
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if name == "longitude_deg" and is_number and 180 < float(str(value)) <= 360:
        west = float(str(value)) - 360.0
        return f"longitudes count from -180 to 180, west negative: write {round(west, 9)!r}"
    if name == "latitude_deg" and is_number and 90 < abs(float(str(value))) <= 180:
        return "see whether latitude and longitude stand in each other's place."
    if isinstance(value, str) and "number" in wanted and _NUMBER.fullmatch(value.strip()):
        return f"write it without quotes: {name} = {value.strip().replace(',', '.')}"
    return LEAVE_OUT


def shown(value: object) -> str:
    """Write a value as a sheet does, shortened."""
    words = repr(value)
    if isinstance(value, bool):
        words = words.lower()
    elif isinstance(value, date | time):
        words = str(value)
    return words if len(words) <= 60 else words[:57] + "..."


def refuse_unknown(
    place: Place,
    table: Mapping[str, object],
    known: Sequence[str],
    listed: Sequence[str] | None = None,
) -> None:
    """Refuse a table with a key that is not known, naming the nearest.

    Parameters
    ----------
    place, table
        What was read.
    known : sequence of str
        Keys that may stand there.
    listed : sequence of str, optional
        What to list instead of them.

    Raises
    ------
    UsageError
        For the first unknown key.
    """
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            hint = f" Did you mean '{near[0]}'?" if near else ""
            what = f"in [{place.key}]" if place.key else "at the top"
            raise place.inside(key).error(
                f"there is no key '{place.inside(key).key}'.{hint}",
                do=f"known {what}: {', '.join(known if listed is None else listed)}",
            )


def table_of(place: Place, value: object) -> Mapping[str, object]:
    """Read a table."""
    if not isinstance(value, dict):
        raise place.wrong(value, f"a table: [{place.key}]")
    return value


def text_of(place: Place, value: object) -> str:
    """Read a text without control characters."""
    if not isinstance(value, str):
        raise place.wrong(value, "a text in quotes")
    if not all(letter.isprintable() for letter in value.replace("\n", "")):
        raise place.wrong(value, "a text without control characters")
    return value.strip()


def truth_of(place: Place, value: object) -> bool:
    """Read true or false."""
    if not isinstance(value, bool):
        raise place.wrong(value, "true or false")
    return value


def number_of(low: float, high: float, unit: str = "") -> Read:
    """Give a reader of numbers within a range, both ends included."""
    wanted = f"a number from {low:g} to {high:g}{' ' if unit else ''}{unit}"

    def read(place: Place, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise place.wrong(value, wanted)
        if not math.isfinite(value) or not low <= value <= high:
            raise place.wrong(value, wanted)
        return float(value)

    return read


def whole_of(low: int, high: int) -> Read:
    """Give a reader of whole numbers within a range, both ends included."""

    def read(place: Place, value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise place.wrong(value, f"a whole number from {low} to {high}")
        return value

    return read


def choice_of(*choices: str) -> Read:
    """Give a reader of one word out of some."""
    wanted = " or ".join(f'"{choice}"' for choice in choices)

    def read(place: Place, value: object) -> str:
        if value not in choices:
            raise place.wrong(value, wanted)
        return str(value)

    return read


def choices_of(*choices: str) -> Read:
    """Give a reader of a list of words out of some."""
    one = choice_of(*choices)

    def read(place: Place, value: object) -> tuple[str, ...]:
        if not isinstance(value, list) or not value:
            raise place.wrong(value, f"a list such as {shown(list(choices[:2]))}")
        return tuple(dict.fromkeys(one(place, part) for part in value))

    return read


def _is_message(number: int) -> bool:
    return any(number in known for known in (LAYOUTS, KNOWN_TITLES, PROPRIETARY, EXPERIMENTAL))


def intervals_of(place: Place, value: object) -> Mapping[int, float]:
    """Read intervals in seconds by message number."""
    seconds = number_of(0.01, 86_400.0, "s")
    found = {}
    for name, interval_s in table_of(place, value).items():
        if not (name.isascii() and name.isdecimal() and _is_message(int(name))):
            raise place.inside(name).error(
                f"{place.key}: there is no message {shown(name)}.",
                why="it must be the number of a message, such as 1006 or 1074, in quotes.",
                do=LEAVE_OUT,
            )
        found[int(name)] = seconds(place.inside(name), interval_s)
    return MappingProxyType(found)


def section_of(place: Place, value: object, readers: Mapping[str, Read]) -> dict[str, Any]:
    """Read a table with the readers of its keys; what is not given is not in the result."""
    table = table_of(place, value)
    refuse_unknown(place, table, tuple(readers))
    return {name: readers[name](place.inside(name), part) for name, part in table.items()}
