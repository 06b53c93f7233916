"""A site sheet to fill in: commented, and the answers of six questions put in their places."""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from rtcmtool.diagnosis.sheet_parsing import parse_sheet
from rtcmtool.errors import UsageError

Values = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Question:
    """One of the six questions.

    Attributes
    ----------
    text : str
        As asked.
    read : callable
        Answer to values by key of the sheet; raises UsageError where it is none.
    """

    text: str
    read: Callable[[str], dict[str, object]]


def _name(answer: str) -> dict[str, object]:
    return {"site.name": answer}


def _kind(answer: str) -> dict[str, object]:
    kinds = {"m": "known-mark", "a": "averaged"}
    kind = kinds.get(answer[:1].lower())
    if kind is None:
        raise UsageError("write m for a known mark, or a for an averaged position.")
    return {"position.kind": kind}


def _numbers(words: list[str], wanted: str) -> list[float]:
    try:
        return [float(word) for word in words]
    except ValueError:
        raise UsageError(wanted) from None


def _coordinates(answer: str) -> dict[str, object]:
    wanted = "write three numbers, or easting northing height EPSG:code, with decimal points."
    words = answer.replace(",", " ").split()
    if len(words) == 4 and ":" in words[3]:
        names = ("position.easting_m", "position.northing_m", "position.height_m")
        numbers = _numbers(words[:3], wanted)
        return {**dict(zip(names, numbers, strict=True)), "position.crs": words[3]}
    names = ("position.latitude_deg", "position.longitude_deg", "position.ellipsoidal_height_m")
    if len(words) != 3:
        raise UsageError(wanted)
    return dict(zip(names, _numbers(words, wanted), strict=True))


def _antenna(answer: str) -> dict[str, object]:
    words = answer.removesuffix("m").removesuffix("ft").strip()
    (number,) = _numbers([words], "write 1.652, or 5.42 ft.")
    return {"antenna.height_ft" if answer.endswith("ft") else "antenna.height_m": number}


def _antenna_name(answer: str) -> dict[str, object]:
    return {"antenna.name": answer}


def _radio(answer: str) -> dict[str, object]:
    (number,) = _numbers([answer.removesuffix("bit/s").replace(" ", "")], "write 9600 or 19200.")
    return {"radio.rate_bit_s": number}


QUESTIONS = (
    Question("Name of the site", _name),
    Question("Known mark or averaged position (m, a)", _kind),
    Question(
        "Mark: latitude longitude ellipsoidal height (degrees, m), or\n"
        "easting northing height EPSG:code",
        _coordinates,
    ),
    Question("Antenna height, mark to ARP, vertical (m, or write ft behind it)", _antenna),
    Question("Antenna name, as in the antenna tables", _antenna_name),
    Question("Over-air rate of the radio in bit/s", _radio),
)


def read_answer(question: Question, answer: str) -> dict[str, object]:
    """Read an answer; an empty one leaves the key out.

    Raises
    ------
    UsageError
        If it is no answer, or the value is impossible.

    Examples
    --------
    >>> read_answer(QUESTIONS[3], "5.42 ft")
    {'antenna.height_ft': 5.42}
    """
    answer = answer.strip()
    if not answer:
        return {}
    values = question.read(answer)
    if set(values) != {"position.kind"}:  # which alone is no whole position
        try:
            parse_sheet(_bare(values))
        except UsageError as error:
            message = str(error)
            if message.startswith("line "):  # of a text that nobody has seen
                message = message.split(": ", 1)[1]
            raise UsageError(message, why=error.why, do=error.do) from error
    return values


def _bare(values: Values) -> str:
    """Give the text of a sheet with these values only, for checking."""
    return "\n".join(f"{key} = {written(value)}" for key, value in values.items())


def written(value: object) -> str:
    r"""Write a value as TOML does.

    Examples
    --------
    >>> written('a "b"'), written(19200.0), written(True), written(1.652)
    ('"a \\"b\\""', '19200', 'true', '1.652')
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.0f}" if value.is_integer() and abs(value) < 1e15 else repr(value)
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


# Lines of the template: text as it stands, or key, sample and remark. A sample is commented out.
_Line = str | tuple[str, object, str]
_LINES: tuple[_Line, ...] = (
    "# Site sheet: what the base should send. All lines are optional; take the # away to use one.",
    "# rtcmtool site check FILE says what it means.",
    "",
    "[site]",
    ("name", "Hillcrest Quarry", ""),
    ("note", "base beside the upper gate", ""),
    "",
    "[position]",
    ("kind", "known-mark", '"averaged" where the base took its own position'),
    "# the mark under the base, in degrees:",
    ("latitude_deg", 12.345678901, "south is negative; 9 decimals are 0.1 mm"),
    ("longitude_deg", -34.567890123, "west is negative"),
    ("ellipsoidal_height_m", 65.432, "not the levelled height"),
    "# or in a grid:",
    ("easting_m", 329522.0102, ""),
    ("northing_m", 1365277.42, ""),
    ("height_m", 75.432, ""),
    ("crs", "EPSG:32625", "code of the grid in the EPSG registry"),
    ("height_kind", "ellipsoidal", '"levelled" needs geoid_separation_m'),
    ("geoid_separation_m", -10.0, "ellipsoidal minus levelled height"),
    ("frame", "ITRF2020, epoch 2026.2", "datum of the coordinates, for people"),
    ("marks_csv", "marks.csv", "marks near by: name,latitude_deg,longitude_deg,"
     "ellipsoidal_height_m"),
    "",
    "[antenna]",
    ("height_m", 1.652, "mark to ARP; or:"),
    ("height_ft", 5.42, ""),
    ("foot", "international", 'or "us-survey"'),
    ("measured", "vertical", '"slant": to the rim, which needs the next two'),
    ("slant_radius_m", 0.1905, "axis to rim"),
    ("slant_mark_above_arp_m", 0.035, "rim above the ARP; below is negative"),
    ("second_height_m", 1.653, "taped again, the same way"),
    ("name", "SURVEYANT-1     NONE", "as the base should send it; radome last"),
    ("serial", "0417", ""),
    "",
    "[messages]",
    ("station", 417, "number of the base, 0 to 4095"),
    ("intervals_s", {"1006": 10, "1033": 10, "1074": 1}, "what should come, and how often"),
    "",
    "[radio]",
    ("rate_bit_s", 19200.0, "over-air, not that of the port"),
    ("overhead", 1.3, "air time of the radio over that of the bits"),
    ("repeater", False, ""),
    "",
    "[rover]",
    ("systems", ["GPS", "GLO", "GAL", "BDS"], "what it uses"),
    ("bands", 2, ""),
    ("families", ["msm", "legacy"], "messages that it reads"),
    ("distance_km", 4.5, "longest from the base"),
    ("height_difference_m", 60.0, "largest from the base"),
    ("same_make", True, "rover and base"),
    "",
    "[limits]",
    ("position_matches_mark", 5.0, "mm: ok up to this"),
    ("position_matches_mark_bad", 20.0, "mm: bad above this"),
)  # fmt: skip
_COLUMN = 40


def template(values: Values | None = None) -> str:
    """Give the commented text of a site sheet.

    Parameters
    ----------
    values : mapping, optional
        Values by key, such as "antenna.height_m"; they stand in their lines, without the comment.

    Returns
    -------
    str
        TOML.
    """
    given = dict(values or {})
    section, lines = "", []
    for line in _LINES:
        if isinstance(line, str):
            section = line.strip("[]") if line.startswith("[") else section
            lines.append(line)
            continue
        key, sample, remark = line
        full = f"{section}.{key}"
        text = f"{key} = {written(given[full])}" if full in given else f"# {key} = {_any(sample)}"
        lines.append(f"{text:<{_COLUMN}}  # {remark}" if remark else text)
    return "\n".join(lines) + "\n"


def _any(value: object) -> str:
    """Write a sample, which may be a list or a table."""
    if isinstance(value, list):
        return f"[{', '.join(written(part) for part in value)}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{written(key)} = {part}' for key, part in value.items())} }}"
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else written(value)
