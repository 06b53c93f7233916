"""The edge: serial ports, network, casters, files and pipes to (arrival time, bytes).

In comes SOURCE as the user writes it, out come arrivals, and what happened to the source. It is
opened again when it is lost. Nothing here decodes a byte, and nothing but requests to a caster and
its position line is ever sent.
"""

from rtcmtool.sources.base import Arrival, Clocks, Source, SourceState, Status
from rtcmtool.sources.credentials import Credentials, Secret, find_credentials
from rtcmtool.sources.ntrip_request import CasterAddress, read_sourcetable
from rtcmtool.sources.parsing import SourceOptions, parse_caster, parse_source
from rtcmtool.sources.ports import SerialPort, serial_ports
from rtcmtool.sources.position_line import Position
from rtcmtool.sources.sourcetable import SourceTable, parse_sourcetable

__all__ = [
    "Arrival",
    "CasterAddress",
    "Clocks",
    "Credentials",
    "Position",
    "Secret",
    "SerialPort",
    "Source",
    "SourceOptions",
    "SourceState",
    "SourceTable",
    "Status",
    "find_credentials",
    "parse_caster",
    "parse_source",
    "parse_sourcetable",
    "read_sourcetable",
    "serial_ports",
]
