"""What is wrong with a site sheet that is no TOML, said so that a crew can set it right."""

import re

from rtcmtool.errors import UsageError

_LINE = re.compile(r"\(at line (\d+), column \d+\)")
_DECIMAL_COMMA = re.compile(r"=\s*[+-]?\d+,\d+\s*(?:#.*)?$")
_DEFINITION = re.compile(r"^\s*([A-Za-z0-9_-]+)\s*=")
_SAMPLE = 'write lines such as: height_m = 1.652    or: name = "Hillcrest Quarry"'


def no_toml(reason: str, text: str) -> UsageError:
    """Give the error for a text that the library does not read.

    Parameters
    ----------
    reason : str
        What the library says.
    text : str
        The sheet.

    Returns
    -------
    UsageError
        With the line where the library gives it, or a key that stands twice.
    """
    found = _LINE.search(reason)
    words = re.sub(r"\s*\(at .*\)", "", reason).strip()
    lines = text.splitlines()
    line = int(found[1]) if found else None
    do = _SAMPLE
    if "overwrite" in reason and (twice := _second_of_a_key(lines)):
        line, key = twice
        words, do = f"{key} stands twice", "keep one of the lines."
    elif line is not None:
        line = min(line, len(lines)) or 1
        written = lines[line - 1] if lines else ""
        if _DECIMAL_COMMA.search(written):
            do = "write a decimal point for the comma."
        elif written.count('"') % 2:
            words, do = "a text without its closing quote", _SAMPLE
    where = "" if line is None else f"line {line}: "
    return UsageError(f"{where}this is no TOML: {words}.", do=do)


def _second_of_a_key(lines: list[str]) -> tuple[int, str] | None:
    """Find the line in which a key stands for the second time in its table."""
    seen: set[str] = set()
    for number, line in enumerate(lines, start=1):
        if line.lstrip().startswith("["):
            seen.clear()
        elif key := _DEFINITION.match(line):
            if key[1] in seen:
                return number, key[1]
            seen.add(key[1])
    return None
