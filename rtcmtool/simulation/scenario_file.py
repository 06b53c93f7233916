"""Read a scenario from TOML; what is not understood is refused by the name of its key."""

import difflib
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from rtcmtool.errors import SourceError, UsageError
from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.faults import make_fault
from rtcmtool.simulation.scenario import (
    Base,
    Radio,
    RadioPath,
    Rover,
    Scenario,
    Site,
    Stream,
    Typed,
)

Table = Mapping[str, Any]
_Made = TypeVar("_Made")


def read_scenario(path: Path) -> Scenario:
    """Read a scenario file.

    Raises
    ------
    SourceError
        If the file cannot be read.
    UsageError
        If it is no TOML, or a key or value of it is impossible.
    """
    try:
        document = path.read_bytes()
    except OSError as error:
        raise SourceError(
            f"the scenario {path} cannot be read.", why=f"{error.strerror or error}."
        ) from error
    try:
        return parse_scenario(document.decode())
    except UsageError as error:
        raise UsageError(f"{path}: {error}", why=error.why, do=error.do) from error
    except ValueError as error:
        raise UsageError(f"{path} is no TOML file.", why=f"{error}.") from error


def parse_scenario(text: str) -> Scenario:
    """Read the text of a scenario file.

    Raises
    ------
    UsageError
        If a key is unknown or a value is impossible.
    ValueError
        If it is no TOML.

    Examples
    --------
    >>> parse_scenario('name = "ours"').name
    'ours'
    """
    top = dict(tomllib.loads(text))
    _refuse_unknown(
        "", top, ("start", *(f.name for f in fields(Scenario) if f.name[:6] != "start_"))
    )
    values: dict[str, Any] = {}
    for key, read in _TOP.items():
        if key in top:
            values["start_utc_ns" if key == "start" else key] = read(key, top[key])
    return Scenario(**values)


def _refuse_unknown(where: str, table: Table, known: tuple[str, ...]) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            hint = f" Did you mean '{near[0]}'?" if near else ""
            raise UsageError(f"there is no key '{where}{key}'.{hint}")


def _table(key: str, value: object) -> Table:
    if not isinstance(value, dict):
        raise UsageError(f"{key} = {value!r} is impossible.", why=f"{key} is a table: [{key}].")
    return value


def _wrong(key: str, value: object, wanted: str) -> UsageError:
    return UsageError(f"{key} = {value!r} is impossible.", why=f"{key} is {wanted}.")


def _text(key: str, value: object) -> str:
    if not isinstance(value, str):
        raise _wrong(key, value, "a text")
    return value


def _number(key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong(key, value, "a number")
    return float(value)


def _whole(key: str, value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise _wrong(key, value, "a whole number")
    return value


def _truth(key: str, value: object) -> bool:
    if not isinstance(value, bool):
        raise _wrong(key, value, "true or false")
    return value


def _texts(key: str, value: object) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise _wrong(key, value, "a list of texts")
    return tuple(_text(key, part) for part in value)


def _numbers(key: str, value: object) -> tuple[float, ...]:
    if not isinstance(value, list):
        raise _wrong(key, value, "a list of numbers")
    return tuple(_number(key, part) for part in value)


def _start(key: str, value: object) -> int:
    instant = value
    if isinstance(value, str):
        try:
            instant = datetime.fromisoformat(value)
        except ValueError:
            raise _wrong(key, value, "a time such as 2026-03-04T07:42:00Z") from None
    if not isinstance(instant, datetime):
        raise _wrong(key, value, "a time such as 2026-03-04T07:42:00Z")
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=UTC)
    if instant < datetime(2010, 1, 1, tzinfo=UTC):
        raise _wrong(key, value, "in 2010 or later")
    seconds = (instant - gnss_time.UNIX_EPOCH).total_seconds()
    return round(seconds) * gnss_time.NS_PER_SECOND


def _signals(key: str, value: object) -> Mapping[str, tuple[str, ...]]:
    found = {name: _texts(f"{key}.{name}", part) for name, part in _table(key, value).items()}
    return MappingProxyType({**Stream().signals, **found})


def _messages(key: str, value: object) -> Mapping[int, float]:
    found = {}
    for name, interval_s in _table(key, value).items():
        if not name.isdecimal():
            raise UsageError(f"there is no message '{key}.{name}'.")
        found[int(name)] = _number(f"{key}.{name}", interval_s)
    return MappingProxyType(found)


def _path(key: str, value: object) -> RadioPath:
    return _made(RadioPath, key, _table(key, value))


def _faults(key: str, value: object) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise _wrong(key, value, "a list of tables: [[faults]]")
    found = []
    for place, entry in enumerate(value, start=1):
        where = f"{key}[{place}]"
        table = dict(_table(where, entry))
        _refuse_unknown(f"{where}.", table, ("kind", "start_s", "length_s", "severity"))
        severity = table.get("severity")
        if isinstance(severity, list):
            numbers = _numbers(f"{where}.severity", severity)
            if len(numbers) != 3:
                raise _wrong(f"{where}.severity", severity, "one number, or east, north and up")
            severity = (numbers[0], numbers[1], numbers[2])
        times = {
            n: _number(f"{where}.{n}", table[n]) for n in ("start_s", "length_s") if n in table
        }
        kind = _text(f"{where}.kind", table.get("kind"))
        found.append(make_fault(kind, severity=severity, **times))
    return tuple(found)


# How a field of a dataclass is read: by its own name, or by its type as it is written there.
_BY_NAME: dict[str, Callable[[str, Any], Any]] = {
    "signals": _signals,
    "messages": _messages,
    "path": _path,
    "glonass_biases_m": _numbers,
    "families": _texts,
}
_BY_TYPE: dict[Any, Callable[[str, Any], Any]] = {
    str: _text,
    float: _number,
    float | None: _number,
    int: _whole,
    bool: _truth,
}


def _made(kind: type[_Made], where: str, table: Table) -> _Made:
    """Make a dataclass from a table."""
    parts = {part.name: part for part in fields(kind)}  # type: ignore[arg-type]  # all of them are
    _refuse_unknown(f"{where}.", table, tuple(parts))
    values = {}
    for name, value in table.items():
        read = _BY_NAME.get(name) or _BY_TYPE[parts[name].type]
        values[name] = read(f"{where}.{name}", value)
    return kind(**values)


def _section(kind: type[_Made]) -> Callable[[str, Any], _Made]:
    return lambda key, value: _made(kind, key, _table(key, value))


_TOP: dict[str, Callable[[str, Any], Any]] = {
    "name": _text,
    "text": _text,
    "start": _start,
    "duration_s": _number,
    "seed": _whole,
    "listen_at": _text,
    "site": _section(Site),
    "base": _section(Base),
    "typed": _section(Typed),
    "stream": _section(Stream),
    "radio": _section(Radio),
    "rover": _section(Rover),
    "faults": _faults,
}
