"""Write what a simulation gives as captures that say what is true in them."""

from pathlib import Path
from typing import BinaryIO

from rtcmtool import __version__
from rtcmtool.captures import CaptureWriter, Description, Event
from rtcmtool.errors import UsageError
from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.faults import Fault, Timetable
from rtcmtool.simulation.link import listener_of
from rtcmtool.simulation.run import Piece, Port, port_of
from rtcmtool.simulation.scenario import Scenario


def truth_of(scenario: Scenario) -> str:
    """Say in words what is true of a simulation: scenario, seed, faults and when they act.

    Parameters
    ----------
    scenario : Scenario
        What is played.
    """
    parts = [f"SIMULATED: scenario {scenario.name}, seed {scenario.seed}, no real base"]
    rover = scenario.rover
    if rover is not None:
        vector = ",".join(f"{part:g}" for part in (rover.east_m, rover.north_m, rover.up_m))
        parts.append(f"rover at {vector} m east, north, up of the base")
    parts += [_when(scenario, fault) for fault in scenario.faults] or ["no fault"]
    return "; ".join(parts)


def _when(scenario: Scenario, fault: Fault) -> str:
    end_s = min(fault.end_s, scenario.duration_s)
    times = (
        gnss_time.iso_utc(scenario.start_utc_ns + round(time_s * gnss_time.NS_PER_SECOND), 0)
        for time_s in (fault.start_s, end_s)
    )
    return f"fault {fault} ({' to '.join(times)})"


def clock_ahead_ns(scenario: Scenario, port: Port) -> int:
    """Give how far the computer that listens at a port is ahead at the start, ns."""
    if port in {Port.NMEA, Port.RAW}:  # the rover's own, which no fault sets wrong
        return 0
    return listener_of(Timetable(scenario.faults).at(0.0)).clock_ns


def is_clock_right(scenario: Scenario, port: Port) -> bool:
    """Tell whether the computer that listens at a port always knows the time."""
    is_wrong = Timetable(scenario.faults).has("clock-off", "wrong-date")
    return port in {Port.NMEA, Port.RAW} or not is_wrong


class Recorder:
    """Writes the captures of one simulation: NAME, and of a rover NAME-rover and its sentences.

    Bytes and arrivals alone: events and outages come from whoever follows the stream meanwhile.

    Parameters
    ----------
    name : str or Path
        NAME; a taken one gets `-2`.
    scenario : Scenario
        What is played.
    monotonic_s : float
        Now, on a clock that does not step.

    Raises
    ------
    UsageError
        If they cannot be created.

    Attributes
    ----------
    writers : dict of Port to CaptureWriter
        The captures that are being written.
    paths : list of Path
        The files of bytes, and the rover's sentences.
    """

    has_monitor = False  # whether events are told as a recorder tells them

    def __init__(self, name: str | Path, scenario: Scenario, monotonic_s: float) -> None:
        self._scenario = scenario
        self._ahead_ns: dict[Port, int] = {}
        where = port_of(scenario)
        heard = self._writer(name, where, monotonic_s)
        self.writers = {where: heard}
        self._nmea: BinaryIO | None = None
        self.paths = [heard.path]
        if scenario.rover is not None:
            stem = heard.name.with_name(f"{heard.name.name}-rover")
            self.writers[Port.RAW] = self._writer(stem, Port.RAW, monotonic_s)
            sentences = stem.with_name(f"{stem.name}.nmea")
            try:
                self._nmea = sentences.open("xb")
            except OSError as error:
                raise UsageError(
                    f"{sentences} cannot be created.",
                    why=f"{error.strerror or error}.",
                    do="choose another name.",
                ) from error
            self.paths += [self.writers[Port.RAW].path, sentences]

    def _writer(self, name: str | Path, port: Port, monotonic_s: float) -> CaptureWriter:
        scenario = self._scenario
        self._ahead_ns[port] = clock_ahead_ns(scenario, port)
        start_utc_ns = scenario.start_utc_ns + self._ahead_ns[port]
        source = f"simulate {scenario.name}, {port.value}"
        writer = CaptureWriter(
            name,
            Description(
                source=source,
                version=__version__,
                start_utc_ns=start_utc_ns,
                site=f"SIMULATED {scenario.site.name}",
                simulated=True,
                note=truth_of(scenario),
            ),
            monotonic_s=monotonic_s,
        )
        text = f"SIMULATED recording of {source}"
        values = {
            "simulated": True,
            "clock_trusted": is_clock_right(scenario, port),
            "monitored": self.has_monitor,
        }
        writer.event(Event(start_utc_ns, "start", text, values))
        return writer

    def write(self, piece: Piece, monotonic_s: float) -> None:
        """Take a piece of any port; those that are not recorded are left out."""
        if piece.port is Port.NMEA:
            if self._nmea is not None:
                self._nmea.write(piece.data)
            return
        writer = self.writers.get(piece.port)
        if writer is not None:
            self._ahead_ns[piece.port] = piece.utc_ns - piece.true_utc_ns
            writer.write(piece.data, piece.utc_ns)
            writer.tick(monotonic_s, piece.utc_ns)

    def close(self, utc_ns: int) -> None:
        """Close all; `utc_ns` is the end of the simulation as far as it came, true time."""
        for port, writer in self.writers.items():
            writer.close(utc_ns + self._ahead_ns[port])
        if self._nmea is not None:
            self._nmea.close()
