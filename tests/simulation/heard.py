"""Simulated streams, decoded: what the tests look at."""

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss import geodesy
from rtcmtool.simulation.faults import Fault, make_fault
from rtcmtool.simulation.run import simulate
from rtcmtool.simulation.scenario import Scenario, Stream
from rtcmtool.simulation.sent_position import true_arp_ecef_m
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS
from rtcmtool.wire.framing import Reject
from rtcmtool.wire.observations import SYSTEM_LETTERS, Observations
from rtcmtool.wire.signal_ids import SIGNALS
from rtcmtool.wire.stream import decode_stream

# Two systems and no ephemerides: quick.
SMALL_STREAM = Stream(
    messages=MappingProxyType({1006: 10.0, 1033: 10.0, 1230: 10.0, 1074: 1.0, 1084: 1.0})
)
SMALL = Scenario(name="test", duration_s=60.0, stream=SMALL_STREAM)


@dataclass(frozen=True, eq=False)
class Heard:
    """A whole stream; `number`, `station`, `gps_ms`, `arrival_utc_ns`, `more_follow` a frame."""

    scenario: Scenario
    data: bytes
    number: npt.NDArray[np.int64]
    station: npt.NDArray[np.int64]
    gps_ms: npt.NDArray[np.int64]
    arrival_utc_ns: npt.NDArray[np.int64]
    more_follow: npt.NDArray[np.int8]
    lengths: npt.NDArray[np.int64]
    observations: Observations
    observed_gps_ms: npt.NDArray[np.int64]
    messages: list[tuple[int, int, dict[str, Any]]]
    rejects: list[Reject]

    @property
    def seconds(self) -> npt.NDArray[np.int64]:
        """Give seconds since the start at which observation messages came."""
        return (self.gps_ms[self.is_observation] - self.scenario.start_gps_ms) // 1000

    @property
    def is_observation(self) -> npt.NDArray[np.bool_]:
        return np.isin(self.number, list(OBSERVATION_NUMBERS))

    @property
    def epochs(self) -> list[int]:
        """Give the seconds at which anything was observed."""
        return sorted(set(self.seconds.tolist()))

    def values(self, *numbers: int) -> list[dict[str, Any]]:
        """Give the values of all messages of some numbers."""
        return [values for number, _, values in self.messages if number in numbers]

    def rows(self, system: str = "", signal: str = "") -> npt.NDArray[np.bool_]:
        """Choose observations."""
        found = np.ones(len(self.observations), np.bool_)
        if system:
            found &= self.observations.system == SYSTEM_LETTERS.index(system)
        if signal:
            found &= self.observations.signal == SIGNALS.index(signal)
        return found

    @property
    def observed_s(self) -> npt.NDArray[np.int64]:
        return (self.observed_gps_ms - self.scenario.start_gps_ms) // 1000

    def satellites_at(self, second: int) -> set[str]:
        """Name the satellites of an epoch."""
        at = self.observed_s == second
        pairs = zip(self.observations.system[at], self.observations.satellite[at], strict=True)
        return {f"{SYSTEM_LETTERS[system]}{number:02d}" for system, number in pairs}


def hear(scenario: Scenario) -> Heard:
    """Simulate and decode."""
    chunks = list(simulate(scenario))
    batches = list(decode_stream(chunks))
    observed = [batch.gps_ms[batch.observations.frame] for batch in batches]
    columns = [
        np.concatenate([getattr(batch.observations, name) for batch in batches])
        for name in Observations.__dataclass_fields__
    ]

    def frames(name: str) -> npt.NDArray[Any]:
        return np.concatenate([getattr(batch, name) for batch in batches])

    return Heard(
        scenario=scenario,
        data=b"".join(chunk.data for chunk in chunks),
        number=frames("number"),
        station=frames("station"),
        gps_ms=frames("gps_ms"),
        arrival_utc_ns=frames("arrival_utc_ns"),
        more_follow=frames("more_follow"),
        lengths=np.concatenate([batch.block.lengths for batch in batches]),
        observations=Observations(*columns),
        observed_gps_ms=np.concatenate(observed),
        messages=[
            (message.layout.number, int(batch.station[message.frame]), message.values)
            for batch in batches
            for message in batch.messages
        ],
        rejects=[reject for batch in batches for reject in batch.rejects],
    )


def hear_fault(
    kind: str,
    start_s: float = 20.0,
    length_s: float = 30.0,
    severity: Any = None,
    base: Scenario = SMALL,
    **changes: Any,
) -> Heard:
    """Simulate one fault and decode."""
    fault: Fault = make_fault(kind, start_s, length_s, severity)
    return hear(replace(base, faults=(fault,), **changes))


def arp_errors_enu_m(heard: Heard) -> list[tuple[float, float, float]]:
    """Give sent minus true position of all 1006."""
    truth = true_arp_ecef_m(heard.scenario)
    found = []
    for values in heard.values(1005, 1006):
        sent = np.array([values["x_m"], values["y_m"], values["z_m"]])
        east, north, up = geodesy.enu_from_ecef(sent - truth, truth).tolist()
        found.append((east, north, up))
    return found
