"""Write what a simulation gives as captures that say what is true in them."""

from pathlib import Path
from typing import BinaryIO

from rtcmtool import __version__
from rtcmtool.captures import CaptureWriter, Description, Event
from rtcmtool.errors import UsageError
from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.faults import Fault
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


class Recorder:
    """Writes the captures of one simulation: NAME, and of a rover NAME-rover and its sentences.

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
    """

    def __init__(self, name: str | Path, scenario: Scenario, monotonic_s: float) -> None:
        self._scenario = scenario
        where = port_of(scenario)
        self._heard = self._writer(name, f"simulate {scenario.name}, {where.value}", monotonic_s)
        self._writers = {where: self._heard}
        self._nmea: BinaryIO | None = None
        self.paths = [self._heard.path]
        if scenario.rover is not None:
            stem = self._heard.name.with_name(f"{self._heard.name.name}-rover")
            text = f"simulate {scenario.name}, {Port.RAW.value}"
            self._writers[Port.RAW] = self._writer(stem, text, monotonic_s)
            sentences = stem.with_name(f"{stem.name}.nmea")
            try:
                self._nmea = sentences.open("xb")
            except OSError as error:
                raise UsageError(
                    f"{sentences} cannot be created.",
                    why=f"{error.strerror or error}.",
                    do="choose another name.",
                ) from error
            self.paths += [self._writers[Port.RAW].path, sentences]

    def _writer(self, name: str | Path, source: str, monotonic_s: float) -> CaptureWriter:
        scenario = self._scenario
        writer = CaptureWriter(
            name,
            Description(
                source=source,
                version=__version__,
                start_utc_ns=scenario.start_utc_ns,
                site=f"SIMULATED {scenario.site.name}",
                simulated=True,
                note=truth_of(scenario),
            ),
            monotonic_s=monotonic_s,
        )
        text = f"SIMULATED recording of {source}"
        writer.event(Event(scenario.start_utc_ns, "start", text, {"simulated": True}))
        return writer

    def write(self, piece: Piece, monotonic_s: float) -> None:
        """Take a piece of any port; those that are not recorded are left out."""
        if piece.port is Port.NMEA:
            if self._nmea is not None:
                self._nmea.write(piece.data)
            return
        writer = self._writers.get(piece.port)
        if writer is not None:
            writer.write(piece.data, piece.utc_ns)
            writer.tick(monotonic_s, piece.utc_ns)

    def close(self, utc_ns: int) -> None:
        """Close all; `utc_ns` is the end of the simulation as far as it came."""
        for writer in self._writers.values():
            writer.close(utc_ns)
        if self._nmea is not None:
            self._nmea.close()
