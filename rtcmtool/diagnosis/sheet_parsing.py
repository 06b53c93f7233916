"""A site sheet from its text, which is TOML.

Nothing in it is guessed: a key that is not known and a value that cannot be are refused by name.
"""

import math
import tomllib
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from rtcmtool.diagnosis.known_marks import HIGHEST_M, LOWEST_M
from rtcmtool.diagnosis.projection import Grid, grid_of
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.sheet_grid import degrees_outside_m, outside_of_grid_m
from rtcmtool.diagnosis.sheet_syntax import no_toml
from rtcmtool.diagnosis.sheet_values import (
    Place,
    Read,
    choice_of,
    choices_of,
    intervals_of,
    number_of,
    refuse_unknown,
    section_of,
    table_of,
    text_of,
    truth_of,
    whole_of,
)
from rtcmtool.diagnosis.site_sheet import (
    SiteAntenna,
    SiteMessages,
    SitePosition,
    SiteRadio,
    SiteRover,
    SiteSheet,
)
from rtcmtool.errors import UsageError
from rtcmtool.gnss.signals import LETTERS, SYSTEMS

FEET_M = {"international": 0.3048, "us-survey": 1200 / 3937}  # exact by definition
MOST_ANTENNA_M = 100.0  # above a mast nobody tapes a height
_SHEET_SYSTEMS = tuple(system.short_name for system in SYSTEMS.values())


def parse_sheet(text: str) -> SiteSheet:
    r"""Read the text of a site sheet.

    Parameters
    ----------
    text : str
        TOML; a byte order mark in front is let be.

    Returns
    -------
    SiteSheet
        All optional; an empty text gives an empty sheet.

    Raises
    ------
    UsageError
        If it is no TOML, a key is unknown, or a value is impossible: names the key, and the line
        where it can be found.

    Examples
    --------
    >>> sheet = parse_sheet("[antenna]\nheight_ft = 5.42")
    >>> round(sheet.antenna.vertical_height_m, 4)
    1.652
    """
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise no_toml(str(error), text) from error
    top = Place("", text)
    refuse_unknown(top, document, (*SECTIONS, "limits"))
    read: dict[str, dict[str, Any]] = {}
    for name, readers in SECTIONS.items():
        read[name] = (
            section_of(top.inside(name), document.get(name, {}), readers) if readers else {}
        )
    return SiteSheet(
        name=read["site"].get("name"),
        note=read["site"].get("note"),
        position=_position(top.inside("position"), read["position"]),
        antenna=_antenna(top.inside("antenna"), read["antenna"]),
        messages=SiteMessages(**read["messages"]),
        radio=SiteRadio(**read["radio"]),
        rover=_rover(read["rover"]),
        limits=_limits(top.inside("limits"), document.get("limits", {})),
    )


_MORE_IS_BETTER = frozenset({"two_bands"})  # where one number is the limit of ok and of bad

_height_m = number_of(LOWEST_M, HIGHEST_M, "m")
_antenna_m = number_of(0.0, MOST_ANTENNA_M, "m")

# The keys of the contract, section by section; limits are read by the table of rules.
SECTIONS: dict[str, dict[str, Read]] = {
    "site": {"name": text_of, "note": text_of},
    "position": {
        "kind": choice_of("known-mark", "averaged"),
        "latitude_deg": number_of(-90.0, 90.0, "degrees"),
        "longitude_deg": number_of(-180.0, 180.0, "degrees"),
        "ellipsoidal_height_m": _height_m,
        "easting_m": number_of(-1e8, 1e8, "m"),  # some grids put their zone in front
        "northing_m": number_of(-1e8, 1e8, "m"),
        "height_m": _height_m,
        "crs": text_of,
        "height_kind": choice_of("ellipsoidal", "levelled"),
        "geoid_separation_m": number_of(-120.0, 100.0, "m"),  # the geoid lies at -107 to +86 m
        "frame": text_of,
        "marks_csv": text_of,
    },
    "antenna": {
        "height_m": _antenna_m,
        "height_ft": number_of(0.0, MOST_ANTENNA_M / FEET_M["international"], "ft"),
        "foot": choice_of(*FEET_M),
        "measured": choice_of("vertical", "slant"),
        "slant_radius_m": number_of(0.0, 2.0, "m"),
        "slant_mark_above_arp_m": number_of(-1.0, 1.0, "m"),
        "second_height_m": _antenna_m,
        "name": text_of,
        "serial": text_of,
    },
    "messages": {"station": whole_of(0, 4095), "intervals_s": intervals_of},
    "radio": {
        "rate_bit_s": number_of(100.0, 1e9, "bit/s"),
        "overhead": number_of(1.0, 10.0),
        "repeater": truth_of,
    },
    "rover": {
        "systems": choices_of(*_SHEET_SYSTEMS),
        "bands": whole_of(1, 5),
        "families": choices_of("msm", "legacy"),
        "distance_km": number_of(0.0, 1000.0, "km"),
        "height_difference_m": number_of(-9500.0, 9500.0, "m"),
        "same_make": truth_of,
    },
}
_GEODETIC = ("latitude_deg", "longitude_deg", "ellipsoidal_height_m")
_PROJECTED = ("easting_m", "northing_m", "height_m", "crs")


def _position(place: Place, given: dict[str, Any]) -> SitePosition:
    """Make the position of the mark out of the one form or the other."""
    geodetic = [name for name in _GEODETIC if name in given]
    projected = [name for name in _PROJECTED if name in given and name != "crs"]
    if geodetic and projected:
        raise place.inside(projected[0]).error(
            f"position.{geodetic[0]} and position.{projected[0]} are both given.",
            do="give degrees and ellipsoidal_height_m, or easting_m, northing_m and height_m.",
        )
    common: dict[str, Any] = {
        name: given.get(name)
        for name in ("crs", "geoid_separation_m", "height_kind", "frame", "marks_csv")
    }
    kind = given.get("kind")
    if geodetic:
        _require(place, given, _GEODETIC, "degrees need all of " + ", ".join(_GEODETIC) + ".")
        outside_m = 0.0
        if given.get("crs") is not None:
            place_deg = given["latitude_deg"], given["longitude_deg"]
            outside_m = degrees_outside_m(place, _grid(place, given["crs"]), *place_deg)
        if given.get("height_kind") == "levelled":
            raise place.inside("height_kind").error(
                "position.height_kind is levelled, position.ellipsoidal_height_m is given.",
                do="add the geoid separation to the levelled height, and write the sum as "
                "ellipsoidal_height_m.",
            )
        values = {name: given[name] for name in _GEODETIC}
        return SitePosition(kind or "known-mark", **values, outside_m=outside_m, **common)
    if projected:
        return _projected(place, given, common)
    if kind == "known-mark":
        raise place.missing("latitude_deg", "a known mark has coordinates.")
    return SitePosition(kind or "known-mark", **common)


def _require(place: Place, given: Mapping[str, Any], names: tuple[str, ...], why: str) -> None:
    for name in names:
        if name not in given:
            raise place.missing(name, why)


def _grid(place: Place, code: str) -> Grid:
    try:
        return grid_of(code)
    except UsageError as error:
        raise _in_crs(place, error) from error


def _in_crs(place: Place, error: UsageError) -> UsageError:
    """Give an error of the coordinate system with its key and line."""
    crs = place.inside("crs")
    message = f"{crs.key}: {error}"
    message = message if crs.line is None else f"line {crs.line}: {message}"
    return UsageError(message, why=error.why, do=error.do)


def _projected(place: Place, given: dict[str, Any], common: dict[str, Any]) -> SitePosition:
    """Turn grid coordinates into degrees, and a levelled height into an ellipsoidal one."""
    names = ", ".join(_PROJECTED)
    _require(place, given, _PROJECTED, f"grid coordinates need all of {names}.")
    grid = _grid(place, given["crs"])
    easting_m, northing_m = given["easting_m"], given["northing_m"]
    latitude_deg, longitude_deg = grid.degrees(easting_m, northing_m)
    if math.isnan(latitude_deg):
        raise place.inside("easting_m").error(
            f"position.easting_m = {easting_m!r}, position.northing_m = {northing_m!r}: "
            f"there is no such place in {grid.code} ({grid.name}).",
            do="look whether they are metres, in the right order, and of this zone.",
        )
    outside_m = outside_of_grid_m(
        place, grid, (easting_m, northing_m), (latitude_deg, longitude_deg)
    )
    try:
        latitude_deg, longitude_deg, operation = grid.modern_degrees(latitude_deg, longitude_deg)
    except UsageError as error:
        if not grid.covers(latitude_deg, longitude_deg):
            error.why = f"the place lies outside the area of {grid.code} ({grid.name})."
            error.do = "look whether they are metres, in the right order, and of this zone."
        raise _in_crs(place, error) from error
    height_m, levelled_m = given["height_m"], None
    if grid.height_system and "height_kind" not in given:
        raise place.error(
            f"{place.key}.height_kind is missing.",
            why=f"{grid.code} counts heights in {grid.height_system}.",
            do='write height_kind = "levelled", with geoid_separation_m, or "ellipsoidal"; or give '
            "the code of the grid alone.",
        )
    if given.get("height_kind") == "levelled":
        why = "a levelled height becomes ellipsoidal by adding it."
        _require(place, given, ("geoid_separation_m",), why)
        levelled_m = height_m
        height_m = levelled_m + given["geoid_separation_m"]
    return SitePosition(
        given.get("kind", "known-mark"),
        latitude_deg,
        longitude_deg,
        height_m,
        easting_m=easting_m,
        northing_m=northing_m,
        levelled_height_m=levelled_m,
        outside_m=outside_m,
        operation=operation,
        **common,
    )


def _antenna(place: Place, given: dict[str, Any]) -> SiteAntenna:
    if "height_m" in given and "height_ft" in given:
        raise place.inside("height_ft").error(
            "antenna.height_m and antenna.height_ft are both given.",
            do="give one; a second measurement goes into second_height_m, in metres.",
        )
    is_feet = "height_ft" in given
    height_m = given.get("height_m")
    if is_feet:
        height_m = given["height_ft"] * FEET_M[given.get("foot", "international")]
    is_slant = given.get("measured") == "slant"
    if is_slant and height_m is not None:
        _require(place, given, ("slant_radius_m",), "a slant height needs the radius of the rim.")
    antenna = SiteAntenna(
        height_m,
        is_slant,
        is_feet,
        given.get("slant_radius_m", 0.0),
        given.get("slant_mark_above_arp_m", 0.0),
        given.get("second_height_m"),
        given.get("name"),
        given.get("serial"),
    )
    taped_key = "height_ft" if is_feet else "height_m"
    for key, taped_m in ((taped_key, height_m),
                         ("second_height_m", antenna.second_height_m)):  # fmt: skip
        if is_slant and taped_m is not None and not taped_m > antenna.slant_radius_m:
            raise place.inside(key).error(
                f"{place.key}.{key} is {taped_m:.3f} m and slant_radius_m "
                f"{antenna.slant_radius_m:.3f} m: a slant must be the longer one.",
                do="tape from the mark to the rim again; the radius is half the diameter.",
            )
    for key, vertical_m in ((taped_key, antenna.vertical_height_m),
                            ("second_height_m", antenna.second_vertical_height_m)):  # fmt: skip
        if vertical_m is not None and vertical_m < 0:
            raise place.inside(key).error(
                f"{place.key}.{key} makes a vertical height of {vertical_m:.3f} m: the ARP would "
                "be below the mark.",
                do="see the sign and size of slant_mark_above_arp_m: positive where the rim is "
                "above the ARP.",
            )
    return antenna


def _rover(given: dict[str, Any]) -> SiteRover:
    systems = tuple(LETTERS[name] for name in given.pop("systems", ()))
    return SiteRover(systems, **given)


def _refuse_without_limit(place: Place, table: Mapping[str, object]) -> None:
    """Refuse a limit of a rule that is judged by yes and no."""
    for name in table:
        rule = RULES.get(name.removesuffix("_bad"))
        if rule is not None and rule.ok is None and rule.bad is None:
            raise place.inside(name).error(
                f"there is no key '{place.key}.{name}'.",
                why=f"{rule.name} is judged without a number.",
                do="take the line out.",
            )


def _limits(place: Place, value: object) -> Mapping[str, float]:
    """Read changed limits: only of rules that have one, and the good one on its own side."""
    table = table_of(place, value)
    known = {name: rule.ok for name, rule in RULES.items()}
    known |= {f"{name}_bad": rule.bad for name, rule in RULES.items()}
    names = [name for name, limit in known.items() if limit is not None]
    _refuse_without_limit(place, table)
    rules = [name for name in RULES if {name, f"{name}_bad"} & set(names)]
    refuse_unknown(place, table, names, [*rules, "and the same with _bad"])
    read = number_of(0.0, 1e6)
    limits = {name: read(place.inside(name), limit) for name, limit in table.items()}
    for name in limits:
        rule = RULES[name.removesuffix("_bad")]
        if rule.below and limits.get(rule.name) == 0:
            raise place.inside(rule.name).error(
                f"limits.{rule.name} = 0 is impossible.",
                why="only values below the limit are ok, and none is below 0.",
                do=f"write a small number, such as {rule.ok}.",
            )
        ok, bad = limits.get(rule.name, rule.ok), limits.get(f"{rule.name}_bad", rule.bad)
        if ok is None or bad is None or rule.ok is None or rule.bad is None:
            continue
        grows = rule.bad < rule.ok or rule.name in _MORE_IS_BETTER
        if (bad > ok) if grows else (bad < ok):
            raise place.inside(name).error(
                f"limits: ok at {ok:g} and bad at {bad:g} contradict each other.",
                why=f"{rule.name} stands at {rule.ok:g} and {rule.bad:g} without the sheet.",
                do=f"write {rule.name} and {rule.name}_bad, the good one on its own side.",
            )
    return MappingProxyType(limits)
