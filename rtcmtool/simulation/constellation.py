"""Invented constellations: where the satellites are, and what they broadcast about it.

Each satellite has one smooth course for the whole simulation, the truth. The first record in force
is that course itself, rounded as its message rounds; each later record is the same course at a
later reference time, rounded again. So truth and broadcast agree exactly at first and to
centimetres later (GLONASS: decimetres, since its velocities are sent in millimetres a second), and
a change of record never makes the simulated phase jump.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from rtcmtool.gnss.ephemerides import (
    ORBIT_CONSTANTS,
    Ephemeris,
    GlonassEphemeris,
    KeplerEphemeris,
    group_by_satellite,
    select_all,
)
from rtcmtool.gnss.glonass_orbits import propagate
from rtcmtool.gnss.time import BDT_BEHIND_GPS_S, SECONDS_PER_WEEK, leap_seconds_at_gps
from rtcmtool.simulation.broadcast import as_broadcast
from rtcmtool.simulation.invented_orbits import (
    geostationary_at,
    invent_glonass,
    invent_kepler,
)

WARM_UP_S = 7_200  # records reach so far back: receivers were on before the scenario begins
GLONASS_STEP_S = 1_800
ALL_SYSTEMS = "GRECJ"


@dataclass(frozen=True, slots=True)
class Schedule:
    """When a system sends a new record.

    Attributes
    ----------
    step_s : int
        Between new records; they come at whole multiples of it (on the system's own scale).
    lead_s : int
        Reference time of a record minus the multiple at which it is due.
    longest_lag_s : int
        A satellite sends it up to so much later.
    """

    step_s: int
    lead_s: int
    longest_lag_s: int


# Common practice of the systems, seen in recorded navigation files; no other source. GPS says the
# records two hours ahead, Galileo and BeiDou after the fact, GLONASS for the middle of its time.
SCHEDULES: Mapping[str, Schedule] = {
    "G": Schedule(7_200, 7_200, 36),
    "J": Schedule(3_600, 3_600, 36),
    "E": Schedule(1_800, 0, 60),
    "C": Schedule(3_600, 0, 60),
    "R": Schedule(GLONASS_STEP_S, 900, 30),
}


@dataclass(frozen=True, eq=False)
class Constellation:
    """Satellites of one or more systems over the time of a simulation.

    Attributes
    ----------
    start_gps_ms, end_gps_ms : int
        The time asked for.
    seed : int
        Of everything that belongs to the sky and not to a receiver.
    ephemerides : tuple of Ephemeris
        All records as broadcast, sorted by their time of transmission; of Galileo I/NAV.
    """

    start_gps_ms: int
    end_gps_ms: int
    seed: int
    ephemerides: tuple[Ephemeris, ...]
    _kepler: tuple[KeplerEphemeris, ...] = field(repr=False)
    _glonass: Mapping[int, tuple[GlonassEphemeris, ...]] = field(repr=False)
    _groups: Mapping[str, Sequence[Ephemeris]] = field(repr=False)

    @property
    def satellites(self) -> tuple[str, ...]:
        """RINEX names, sorted by letter and number."""
        return tuple(sorted(self._groups))

    @property
    def channels(self) -> dict[str, int]:
        """Frequency channels of the GLONASS satellites, by RINEX name."""
        nodes = next(iter(self._glonass.values()), ())
        return {record.satellite: record.frequency_channel for record in nodes}

    def in_force(self, gps_ms: int) -> dict[str, Ephemeris]:
        """Give the record of each satellite that was sent last before a time, by RINEX name."""
        return select_all(self._groups, gps_ms)

    def truth(self, gps_ms: int) -> tuple[Ephemeris, ...]:
        """Give the course of each satellite around a time, for `satellites.SatelliteTable`.

        Kepler courses hold for all times. Those of GLONASS begin at the half hour nearest to
        `gps_ms` and meet their neighbours to less than a millimetre: none is to be used more than
        an hour away.
        """
        return (*self._kepler, *self._glonass.get(_node(gps_ms), self._nearest_node(gps_ms)))

    def _nearest_node(self, gps_ms: int) -> tuple[GlonassEphemeris, ...]:
        if not self._glonass:
            return ()
        wanted = _node(gps_ms)
        return self._glonass[min(self._glonass, key=lambda node: abs(node - wanted))]


def make_constellation(
    start_gps_ms: int, duration_s: float, seed: int = 1, systems: str = ALL_SYSTEMS
) -> Constellation:
    """Invent satellites and what they broadcast.

    Parameters
    ----------
    start_gps_ms : int
        Begin of the simulation, GPS time, ms.
    duration_s : float
        Its length. Records are made from `WARM_UP_S` before the start to the end.
    seed : int
        Same seed, same sky.
    systems : str
        RINEX letters out of G, R, E, C and J.

    Returns
    -------
    Constellation

    Raises
    ------
    KeyError
        If there is no such system here.
    """
    end_gps_ms = start_gps_ms + round(duration_s * 1000)
    records: list[Ephemeris] = []
    kepler: list[KeplerEphemeris] = []
    nodes: dict[int, tuple[GlonassEphemeris, ...]] = {}
    for system in systems:
        dues = _due_times_s(system, start_gps_ms, end_gps_ms)
        if system == "R":
            nodes, broadcast = _glonass_course(dues, start_gps_ms, seed)
            records += broadcast
            continue
        for first, lag_s in invent_kepler(system, start_gps_ms, seed):
            course, broadcast_kepler = _kepler_course(first, dues, lag_s, start_gps_ms)
            kepler.append(course)
            records += broadcast_kepler
    records.sort(key=lambda record: (record.transmitted_gps_s, record.satellite))
    return Constellation(
        start_gps_ms=start_gps_ms,
        end_gps_ms=end_gps_ms,
        seed=seed,
        ephemerides=tuple(records),
        _kepler=tuple(kepler),
        _glonass=nodes,
        _groups=group_by_satellite(records),
    )


def _due_times_s(system: str, start_gps_ms: int, end_gps_ms: int) -> list[int]:
    """Give when new records are due, s of GPS time, from before the warm-up to the end."""
    schedule = SCHEDULES[system]
    shift = _scale_shift_s(system, start_gps_ms)
    first = (start_gps_ms // 1000 - WARM_UP_S - schedule.longest_lag_s - shift) // schedule.step_s
    last = (end_gps_ms // 1000 - shift) // schedule.step_s
    return [number * schedule.step_s + shift for number in range(first, last + 1)]


def _scale_shift_s(system: str, gps_ms: int) -> int:
    """Give GPS time minus the time by which a system counts its full hours, s."""
    if system == "R":
        return leap_seconds_at_gps(gps_ms)
    return BDT_BEHIND_GPS_S if system == "C" else 0


def _kepler_course(
    invented: KeplerEphemeris, dues_s: Sequence[int], lag_s: int, start_gps_ms: int
) -> tuple[KeplerEphemeris, list[KeplerEphemeris]]:
    """Give the true course of a satellite and its broadcast records.

    `invented` has any reference time near the start; its elements are moved to the record that is
    in force at the start, rounded, and from then on are the truth.
    """
    system = invented.system
    schedule = SCHEDULES[system]
    in_force = max(due for due in dues_s if (due + lag_s) * 1000 <= start_gps_ms)
    number = dues_s.index(in_force)
    course = _rounded(_issue(_moved(invented, in_force + schedule.lead_s), in_force, lag_s))
    records = [
        course
        if place == number
        else _rounded(_issue(_moved(course, due + schedule.lead_s), due, lag_s))
        for place, due in enumerate(dues_s)
    ]
    return course, records


def _rounded(record: KeplerEphemeris) -> KeplerEphemeris:
    rounded = as_broadcast(record)
    assert isinstance(rounded, KeplerEphemeris)
    return rounded


def _issue(record: KeplerEphemeris, due_s: int, lag_s: int) -> KeplerEphemeris:
    """Give a record its issue and the time when it is first sent."""
    toe_s = round(record.toe_gps_s)
    of_data = {
        "E": toe_s % SECONDS_PER_WEEK // 600 % 128,  # as in recorded files
        "C": 1,  # age of data: under an hour
    }.get(record.system, (toe_s // SCHEDULES[record.system].step_s * 7 + record.number) % 240)
    is_gps_like = record.system in "GJ"
    return replace(
        record,
        issue_of_data=of_data,
        issue_of_clock=of_data + 256 * (record.number % 4) if is_gps_like else of_data,
        transmitted_gps_s=float(due_s + lag_s),
    )


def _moved(record: KeplerEphemeris, toe_gps_s: int) -> KeplerEphemeris:
    """Give the same course with another reference time (for clock and orbit)."""
    elapsed = toe_gps_s - record.toe_gps_s
    moved = replace(
        record,
        toe_gps_s=float(toe_gps_s),
        toc_gps_s=float(toe_gps_s),
        af0_s=record.af0_s + record.af1_s_s * elapsed,
    )
    gm, earth_rate = ORBIT_CONSTANTS[record.system]
    motion = gm**0.5 / record.sqrt_a_sqrt_m**3 + record.delta_n_rad_s
    moved = replace(moved, m0_rad=record.m0_rad + motion * elapsed)
    behind = BDT_BEHIND_GPS_S if record.system == "C" else 0
    before, after = ((time - behind) % SECONDS_PER_WEEK for time in (record.toe_gps_s, toe_gps_s))
    if record.is_geostationary:
        return geostationary_at(moved, elapsed, before, after)
    # The node is counted from the begin of the week of toe, on the turning Earth.
    node_rate = record.omega_dot_rad_s - earth_rate
    node = record.omega0_rad + node_rate * elapsed + earth_rate * (after - before)
    return replace(moved, omega0_rad=node, i0_rad=record.i0_rad + record.idot_rad_s * elapsed)


def _node(gps_ms: int) -> int:
    """Give the number of a half hour of GLONASS, on UTC."""
    return (gps_ms // 1000 - leap_seconds_at_gps(gps_ms)) // GLONASS_STEP_S


def _glonass_course(
    dues_s: Sequence[int], start_gps_ms: int, seed: int
) -> tuple[dict[int, tuple[GlonassEphemeris, ...]], list[Ephemeris]]:
    """Integrate all satellites through the middle of every half hour.

    The state in force at the start is rounded first and is the truth; the others follow from it.
    """
    schedule = SCHEDULES["R"]
    start_s = start_gps_ms // 1000
    in_force = max(due for due in dues_s if due + schedule.longest_lag_s <= start_s)
    invented, lags = invent_glonass(in_force + schedule.lead_s, start_gps_ms, seed)
    first = [_rounded_glonass(record) for record in invented]
    states: dict[int, tuple[GlonassEphemeris, ...]] = {in_force: tuple(first)}
    later = [due for due in dues_s if due > in_force]
    # one more behind the end: a receiver may look half an hour further
    for sign, sequence in (
        (1, [*later, dues_s[-1] + schedule.step_s]),
        (-1, [due for due in reversed(dues_s) if due < in_force]),
    ):
        previous = states[in_force]
        for due in sequence:
            previous = _carried(previous, sign * schedule.step_s)
            states[due] = previous
    records: list[Ephemeris] = []
    for due in dues_s:
        for record, lag in zip(states[due], lags, strict=True):
            sent = replace(record, transmitted_gps_s=float(due + lag))
            records.append(_rounded_glonass(sent))
    return {_node(due * 1000): states[due] for due in sorted(states)}, records


def _rounded_glonass(record: GlonassEphemeris) -> GlonassEphemeris:
    rounded = as_broadcast(record)
    assert isinstance(rounded, GlonassEphemeris)
    return rounded


def _carried(records: Sequence[GlonassEphemeris], by_s: int) -> tuple[GlonassEphemeris, ...]:
    """Carry states and clocks on by a time, none of it rounded."""
    position, velocity = propagate(
        np.array([[r.x_m, r.y_m, r.z_m] for r in records]),
        np.array([[r.vx_m_s, r.vy_m_s, r.vz_m_s] for r in records]),
        np.array([[r.ax_m_s2, r.ay_m_s2, r.az_m_s2] for r in records]),
        np.full(len(records), float(by_s)),
    )
    return tuple(
        replace(
            record,
            tb_gps_s=record.tb_gps_s + by_s,
            transmitted_gps_s=record.transmitted_gps_s + by_s,
            x_m=float(place[0]),
            y_m=float(place[1]),
            z_m=float(place[2]),
            vx_m_s=float(speed[0]),
            vy_m_s=float(speed[1]),
            vz_m_s=float(speed[2]),
            tau_n_s=record.tau_n_s - record.gamma_n * by_s,
        )
        for record, place, speed in zip(records, position, velocity, strict=True)
    )
