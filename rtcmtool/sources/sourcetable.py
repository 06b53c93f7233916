"""The source table of a caster: what there is to listen to. No I/O."""

from dataclasses import dataclass, field

END = "ENDSOURCETABLE"


@dataclass(frozen=True, slots=True)
class Stream:
    """A record STR: one mountpoint (from memory of NTRIP revision 1; 19 fields).

    Attributes
    ----------
    messages : dict
        Message numbers and their intervals in seconds, as far as `details` tells them.
    latitude_deg, longitude_deg : float or None
        Rounded by the caster to about a kilometre.
    needs_position : bool
        Whether the client must send a position line.
    is_network : bool
        Whether several base stations stand behind it.
    authentication : str
        N none, B basic, D digest.
    """

    mountpoint: str
    identifier: str = ""
    format: str = ""
    details: str = ""
    carrier: str = ""
    systems: tuple[str, ...] = ()
    network: str = ""
    country: str = ""
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    needs_position: bool = False
    is_network: bool = False
    generator: str = ""
    compression: str = ""
    authentication: str = ""
    has_fee: bool = False
    bit_rate: int | None = None
    misc: str = ""

    @property
    def messages(self) -> dict[str, float | None]:
        """Message numbers and their intervals in seconds; None where none is told."""
        found: dict[str, float | None] = {}
        for part in self.details.replace(" ", "").split(","):
            number, _, interval = part.partition("(")
            if number[:4].isdigit():
                found[number] = _optional_float(interval.rstrip(")"))
        return found


@dataclass(frozen=True, slots=True)
class Caster:
    """A record CAS: another caster (from memory of NTRIP revision 1; 12 fields)."""

    host: str
    port: int | None = None
    identifier: str = ""
    operator: str = ""
    needs_position: bool = False
    country: str = ""
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    fallback_host: str = ""
    fallback_port: int | None = None
    misc: str = ""


@dataclass(frozen=True, slots=True)
class Network:
    """A record NET: a network of streams (from memory of NTRIP revision 1; 9 fields)."""

    identifier: str
    operator: str = ""
    authentication: str = ""
    has_fee: bool = False
    web_page: str = ""
    stream_page: str = ""
    registration: str = ""
    misc: str = ""


@dataclass(frozen=True, slots=True)
class SourceTable:
    """A source table.

    Attributes
    ----------
    streams, casters, networks : list
        Records in order.
    other_lines : list of str
        Lines that are none of these.
    is_complete : bool
        Whether the last line, `ENDSOURCETABLE`, was there.
    """

    streams: list[Stream] = field(default_factory=list)
    casters: list[Caster] = field(default_factory=list)
    networks: list[Network] = field(default_factory=list)
    other_lines: list[str] = field(default_factory=list)
    is_complete: bool = False


def parse_sourcetable(content: bytes) -> SourceTable:
    """Read a source table, as it comes behind the head of the answer.

    Parameters
    ----------
    content : bytes
        UTF-8, or Latin-1 where it is not.

    Returns
    -------
    SourceTable
        Missing fields are empty; nothing raises.
    """
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    table = SourceTable()
    for line in text.splitlines():
        if line.strip() == END:
            return SourceTable(
                table.streams, table.casters, table.networks, table.other_lines, is_complete=True
            )
        if not line.strip():
            continue
        kind, *values = split_record(line)
        match kind.strip().upper():
            case "STR" if values and values[0]:
                table.streams.append(_stream(values))
            case "CAS" if values and values[0]:
                table.casters.append(_caster(values))
            case "NET" if values and values[0]:
                table.networks.append(_network(values))
            case _:
                table.other_lines.append(line)
    return table


def split_record(line: str) -> list[str]:
    """Cut a record at its semicolons, those inside quotation marks apart.

    Examples
    --------
    >>> split_record('NET;"a;b";c ""d"";"e ""f"" g"')
    ['NET', 'a;b', 'c ""d""', 'e "f" g']
    """
    fields, at = [], 0
    while True:
        if line.startswith('"', at) and (end := _closing_quote(line, at)) >= 0:
            fields.append(line[at + 1 : end].replace('""', '"'))
            at = end + 1
        else:
            end = line.find(";", at)
            end = len(line) if end < 0 else end
            fields.append(line[at:end].strip())
            at = end
        if at >= len(line):
            return fields
        at += 1  # behind the semicolon


def _closing_quote(line: str, opening: int) -> int:
    """Find the quotation mark that closes a field; -1 if there is none before a border."""
    at = opening + 1
    while (at := line.find('"', at)) >= 0:
        if line.startswith('""', at):
            at += 2
            continue
        return at if at + 1 == len(line) or line[at + 1] == ";" else -1
    return -1


def _stream(values: list[str]) -> Stream:
    told = _filled(values, 18)
    return Stream(
        mountpoint=told[0],
        identifier=told[1],
        format=told[2],
        details=told[3],
        carrier=told[4],
        systems=tuple(system for system in told[5].replace(" ", "").split("+") if system),
        network=told[6],
        country=told[7],
        latitude_deg=_optional_float(told[8]),
        longitude_deg=_optional_float(told[9]),
        needs_position=told[10] == "1",
        is_network=told[11] == "1",
        generator=told[12],
        compression=told[13],
        authentication=told[14].upper(),
        has_fee=told[15].upper() == "Y",
        bit_rate=_optional_int(told[16]),
        misc=told[17],
    )


def _caster(values: list[str]) -> Caster:
    told = _filled(values, 11)
    return Caster(
        host=told[0],
        port=_optional_int(told[1]),
        identifier=told[2],
        operator=told[3],
        needs_position=told[4] == "1",
        country=told[5],
        latitude_deg=_optional_float(told[6]),
        longitude_deg=_optional_float(told[7]),
        fallback_host=told[8],
        fallback_port=_optional_int(told[9]),
        misc=told[10],
    )


def _network(values: list[str]) -> Network:
    told = _filled(values, 8)
    return Network(
        identifier=told[0],
        operator=told[1],
        authentication=told[2].upper(),
        has_fee=told[3].upper() == "Y",
        web_page=told[4],
        stream_page=told[5],
        registration=told[6],
        misc=told[7],
    )


def _filled(values: list[str], count: int) -> list[str]:
    """Bring a record to its number of fields; what is too much belongs to the last, misc."""
    if len(values) > count:
        return [*values[: count - 1], ";".join(values[count - 1 :])]
    return values + [""] * (count - len(values))


def _optional_float(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _optional_int(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() else None
