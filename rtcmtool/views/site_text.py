"""What a site sheet means, for people and as a document."""

import textwrap
from itertools import zip_longest
from typing import Any

from rtcmtool.diagnosis.lengths import FOOT_M, difference, distance, height
from rtcmtool.diagnosis.projection import grid_of
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.site_sheet import SitePosition, SiteSheet
from rtcmtool.diagnosis.wording import grouped, number
from rtcmtool.gnss.geodesy import degrees_from_ecef
from rtcmtool.gnss.signals import SYSTEMS

_INDENT, _NARROWEST = 12, 40  # columns
_UNTOLD = (
    "height_m = {:.3f} was taken as ellipsoidal, as height_kind is missing. Heights of grids are "
    'mostly levelled, tens of metres away: write height_kind = "levelled" with geoid_separation_m, '
    'or height_kind = "ellipsoidal"'
)
_SAME_FEET_M = 0.02  # feet are read to a hundredth, of which 0.02 m of height make six


def degrees_text(latitude_deg: float, longitude_deg: float) -> str:
    """Write a place to 0.1 mm, in degrees with letters.

    Examples
    --------
    >>> degrees_text(35.3, -139.5)
    '35.300000000 N  139.500000000 W'
    """
    north, east = "NS"[latitude_deg < 0], "EW"[longitude_deg < 0]
    return f"{abs(latitude_deg):.9f} {north}  {abs(longitude_deg):.9f} {east}"


def sexagesimal(angle_deg: float) -> str:
    """Write an angle without sign in degrees, minutes and seconds.

    Examples
    --------
    >>> print(sexagesimal(53.80939444444), sexagesimal(0.99999999999))
    53 48' 33.82000" 1 00' 00.00000"
    """
    units = round(abs(angle_deg) * 360_000_000)
    minutes, rest = divmod(units, 6_000_000)
    return f"{minutes // 60} {minutes % 60:02d}' {rest / 100_000:08.5f}\""


def sheet_lines(sheet: SiteSheet) -> list[tuple[str, str]]:
    """Give what a sheet means: a word and a text a line.

    Parameters
    ----------
    sheet : SiteSheet
        Any; an empty one gives what is missing.
    """
    lines = [("site", sheet.name or "without a name")]
    lines += _position_lines(sheet)
    lines += _antenna_lines(sheet)
    lines += _expected_lines(sheet)
    lines += _other_lines(sheet)
    return lines


def wrapped_lines(sheet: SiteSheet, width: int) -> list[str]:
    """Give the lines of `sheet_lines` as they are printed, at most so wide where words allow it."""
    lines = []
    for word, text in sheet_lines(sheet):
        parts = textwrap.wrap(text, max(width - _INDENT, _NARROWEST), break_on_hyphens=False)
        lines += [f"  {head:<8}  {part}" for head, part in zip_longest([word], parts, fillvalue="")]
    return lines


def _position_lines(sheet: SiteSheet) -> list[tuple[str, str]]:
    position, mark = sheet.position, sheet.position.mark
    lines = []
    if sheet.is_averaged:
        lines.append(("position", "averaged: the rover needs a site calibration at control marks"))
    if mark is None:
        return lines or [("mark", "not told: the position is not compared")]
    place = degrees_text(mark.latitude_deg, mark.longitude_deg)
    lines.append(("average" if sheet.is_averaged else "mark",
                  f"{place}  {mark.ellipsoidal_height_m:.3f} m ellipsoidal"))  # fmt: skip
    north, east = "NS"[mark.latitude_deg < 0], "EW"[mark.longitude_deg < 0]
    lines.append(("", f"{sexagesimal(mark.latitude_deg)} {north}  "
                  f"{sexagesimal(mark.longitude_deg)} {east}"))  # fmt: skip
    if position.crs is not None:
        lines += _grid_lines(sheet, position.crs)
    if position.levelled_height_m is not None:
        separation = difference(position.geoid_separation_m or 0.0)
        text = f"{position.levelled_height_m:.3f} m levelled, {separation} geoid separation"
        lines.append(("height", text))
    if position.is_height_kind_untold:
        lines.append(("height", _UNTOLD.format(mark.ellipsoidal_height_m)))
    if position.frame:
        lines.append(("frame", position.frame))
    if sheet.marks:
        lines.append(("marks", f"{len(sheet.marks)} near by, from {position.marks_csv}"))
    return lines


def _grid_lines(sheet: SiteSheet, code: str) -> list[tuple[str, str]]:
    grid, position, mark = grid_of(code), sheet.position, sheet.position.mark
    assert mark is not None
    east_m, north_m = position.easting_m, position.northing_m
    latitude_deg, longitude_deg = mark.latitude_deg, mark.longitude_deg
    if east_m is None or north_m is None:
        if grid.changes_datum:
            return [("grid", f"{grid.code} {grid.name}: another datum")]
        east_m, north_m = grid.metres(latitude_deg, longitude_deg)
    else:
        latitude_deg, longitude_deg = grid.degrees(east_m, north_m)
    scale, convergence_deg = grid.scale_and_convergence_deg(latitude_deg, longitude_deg)
    lines = [
        ("grid", f"E {east_m:.4f}  N {north_m:.4f} m  {grid.code} {grid.name}"),
        ("", f"scale {scale:.8f}, grid north {convergence_deg:+.6f} degrees from true north"),
    ]
    if position.outside_m:
        away = distance(position.outside_m)
        text = f"{away} outside the area that this grid is made for: is the zone right?"
        lines.append(("", text))
    operation = position.operation
    if operation.name:
        lines.append(("datum", f"changed by: {operation.name}"))
        better = f"; a better one needs {operation.missing}" if operation.missing else ""
        lines.append(("", f"known to {operation.accuracy_m:g} m{better}"))
    return lines


def _antenna_lines(sheet: SiteSheet) -> list[tuple[str, str]]:
    antenna = sheet.antenna
    vertical_m, second_m = antenna.vertical_height_m, antenna.second_vertical_height_m
    lines = [("antenna", "height not told")]
    if vertical_m is not None:
        lines = [("antenna", f"{height(vertical_m)} above the mark, vertical, to the ARP")]
    if antenna.is_slant and antenna.height_m is not None:
        rim = f"radius {antenna.slant_radius_m:.4f} m, rim {antenna.slant_mark_above_arp_m:+.4f} m"
        lines.append(("", f"from a slant of {height(antenna.height_m)}, {rim} from the ARP"))
    if second_m is not None and vertical_m is not None:
        apart = difference(second_m - vertical_m)
        lines.append(
            ("", f"second height {height(second_m)}: {apart}{_doubt(second_m, vertical_m)}")
        )
    if antenna.name:
        serial = f", serial {antenna.serial}" if antenna.serial else ""
        lines.append(("", f"{antenna.name}{serial}"))
    return lines


def _doubt(second_m: float, first_m: float) -> str:
    """Say what is wrong where two taped heights disagree; limit as of the antenna's rule."""
    apart_m = abs(second_m - first_m)
    limit_mm = RULES["antenna_height"].ok
    assert limit_mm is not None
    if round(1000 * apart_m, 3) <= limit_mm:
        return ""
    if abs(second_m - first_m / FOOT_M) < _SAME_FEET_M:
        return ", which is the first in feet: write metres"
    return ", the two disagree: tape again"


def _expected_lines(sheet: SiteSheet) -> list[tuple[str, str]]:
    """Give what 1005 and 1006 should say."""
    arp_m = sheet.expected_arp_ecef_m
    if arp_m is None or sheet.is_averaged:
        return []
    latitude_deg, longitude_deg, height_m = degrees_from_ecef(arp_m)
    x, y, z = arp_m.tolist()
    place = degrees_text(latitude_deg, longitude_deg)
    return [
        ("ARP", f"{place}  {height_m:.3f} m ellipsoidal"),
        ("", f"X {x:.4f}  Y {y:.4f}  Z {z:.4f} m: what 1005 and 1006 should say"),
    ]


def _other_lines(sheet: SiteSheet) -> list[tuple[str, str]]:
    messages, radio, rover = sheet.messages, sheet.radio, sheet.rover
    lines = []
    if messages.station is not None:
        lines.append(("station", str(messages.station)))
    if messages.intervals_s:
        every = (f"{n} every {number(s)} s" for n, s in sorted(messages.intervals_s.items()))
        lines.append(("messages", ", ".join(every)))
    if radio.rate_bit_s is not None:
        again = ", with a repeater" if radio.repeater else ""
        lines.append(("radio", f"{grouped(round(radio.rate_bit_s))} bit/s over air{again}"))
    told = [SYSTEMS[letter].short_name for letter in rover.systems]
    told += [f"{rover.bands} band{'s' if rover.bands > 1 else ''}"] if rover.bands else []
    told += [f"reads {' and '.join(rover.families)}"] if rover.families else []
    told += [f"up to {rover.distance_km:g} km"] if rover.distance_km is not None else []
    if told:
        lines.append(("rover", ", ".join(told)))
    if sheet.limits:
        pairs = (f"{name} = {number(limit)}" for name, limit in sheet.limits.items())
        lines.append(("limits", ", ".join(pairs)))
    return lines


def _kind(position: SitePosition) -> str | None:
    """Give in which heights the mark was told; None where it was not."""
    if position.mark is None or position.is_height_kind_untold:
        return None
    return position.height_kind or "ellipsoidal"


def sheet_object(sheet: SiteSheet) -> dict[str, Any]:
    """Give what a sheet means as a document; what is not told is None."""
    mark, antenna, arp_m = sheet.position.mark, sheet.antenna, sheet.expected_arp_ecef_m
    position = sheet.position
    return {
        "site": sheet.name,
        "kind": position.kind if mark or sheet.is_averaged else None,
        "latitude_deg": position.latitude_deg,
        "longitude_deg": position.longitude_deg,
        "ellipsoidal_height_m": position.ellipsoidal_height_m,
        "mark_ecef_m": None if mark is None else mark.ecef_m.tolist(),
        "easting_m": position.easting_m,
        "northing_m": position.northing_m,
        "crs": position.crs,
        "outside_area_m": position.outside_m if position.crs else None,
        "datum_operation": position.operation.name or None,
        "datum_accuracy_m": position.operation.accuracy_m if position.operation.name else None,
        "height_kind": _kind(position),
        "geoid_separation_m": position.geoid_separation_m,
        "antenna_height_m": antenna.vertical_height_m,
        "second_antenna_height_m": antenna.second_vertical_height_m,
        "antenna": antenna.name,
        "arp_ecef_m": None if arp_m is None else arp_m.tolist(),
        "station": sheet.messages.station,
        "marks": len(sheet.marks),
    }
