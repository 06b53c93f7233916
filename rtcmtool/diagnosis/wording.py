"""Numbers as people read them: units, spaces between thousands, honest shares."""


def grouped(number: int) -> str:
    """Write a whole number with spaces between thousands.

    Examples
    --------
    >>> grouped(33480), grouped(417)
    ('33 480', '417')
    """
    return f"{number:,}".replace(",", " ")


def share(part: int, whole: int) -> str:
    """Write a share in per cent; never 0 % when one is there, never 100 % when one is missing.

    Examples
    --------
    >>> share(0, 258), share(1, 8304), share(30, 8304), share(8303, 8304), share(31, 40)
    ('0 %', 'under 0.1 %', '0.4 %', 'over 99.9 %', '78 %')
    """
    if not whole:
        return "0 %"
    per_cent = 100 * part / whole
    if part and per_cent < 0.1:
        return "under 0.1 %"
    if part < whole and per_cent > 99.9:
        return "over 99.9 %"
    if 0 < per_cent < 10 or 90 < per_cent < 100:
        return f"{per_cent:.1f} %"
    return f"{per_cent:.0f} %"


def seconds(value: float) -> str:
    """Write a duration.

    Examples
    --------
    >>> seconds(0.6), seconds(22), seconds(90), seconds(6360), seconds(200000)
    ('0.6 s', '22 s', '1 min 30 s', '1 h 46 min', '55 h 33 min')
    """
    if round(value, 1) < 10 and value != round(value):
        return f"{value:.1f} s"
    whole = round(value)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def printable(text: str) -> str:
    r"""Write a text of a stream so that it can do nothing to a terminal.

    Examples
    --------
    >>> printable("MODEL-1  NONE"), printable("\x1b[2J!")
    ('MODEL-1  NONE', '?[2J!')
    """
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def number(value: float) -> str:
    """Write a limit or a small number without needless digits.

    Examples
    --------
    >>> number(15.0), number(0.5), number(0.0001)
    ('15', '0.5', '0.0001')
    """
    return f"{value:g}"
