"""Broadcast ephemerides: one record a dataclass, many as columns, and which one to use when.

Names are those of the decoded messages (1019, 1020, 1041, 1042, 1044, 1045, 1046). Weeks are
resolved: reference times are seconds of continuous GPS time since 1980-01-06, also for BeiDou
(BDT + 14 s) and GLONASS (UTC + leap seconds).
"""

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
import numpy.typing as npt

from rtcmtool.gnss.time import BDT_BEHIND_GPS_S, MS_PER_SECOND, SECONDS_PER_WEEK

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

# Gravitational constant of the ephemerides, m^3/s^2, and Earth rotation rate, rad/s: IS-GPS-200
# table 20-IV, Galileo OS SIS ICD 5.1.1, BDS-SIS-ICD 5.2.4.12, NavIC SIS ICD (all from memory).
_GPS_CONSTANTS = (3.986005e14, 7.2921151467e-5)
ORBIT_CONSTANTS: Final[Mapping[str, tuple[float, float]]] = {
    "G": _GPS_CONSTANTS,
    "J": _GPS_CONSTANTS,
    "I": _GPS_CONSTANTS,
    "E": (3.986004418e14, 7.2921151467e-5),
    "C": (3.986004418e14, 7.2921150e-5),
    "R": (3.986004418e14, 7.292115e-5),
}
BEIDOU_GEO_NUMBERS: Final = frozenset((*range(1, 6), *range(59, 64)))  # BDS-SIS-ICD, from memory

# Greatest |t - reference time|, s. GPS and Galileo: ICDs (from memory); twice the nominal hour of
# BeiDou and quarter of an hour of GLONASS is common practice, no source; NavIC as GPS.
FIT_S: Final[Mapping[str, float]] = {
    "G": 7_200.0,
    "J": 7_200.0,
    "I": 7_200.0,
    "E": 14_400.0,
    "C": 7_200.0,
    "R": 1_800.0,
}

# Semi-major axis of all GLONASS orbits and how far a record may be off it. Twelve whole recorded
# sets of 2025-06-27 lie at 25 505.6 to 25 509.8 km, eleven mixed ones 17 to 950 km off; the ICD
# gives 25 508 km (from memory). The limit between is our judgement.
_GLONASS_AXIS_M = 25_508e3
_GLONASS_AXIS_SPREAD_M = 12e3

LNAV, INAV, FNAV, D1, D2, FDMA = "lnav", "inav", "fnav", "d1", "d2", "fdma"


@dataclass(frozen=True, slots=True)
class KeplerEphemeris:
    """One record of GPS, QZSS, Galileo, BeiDou or NavIC: Kepler elements, clock, delays.

    Angles in radians, lengths in metres, times in seconds; `_gps_s` is continuous GPS time.
    A group delay the system does not have is 0; one the record marks as not available is NaN.
    """

    system: str  # RINEX letter
    number: int  # RINEX number
    source: str  # "lnav", "inav", "fnav", "d1" or "d2"
    toe_gps_s: float
    toc_gps_s: float
    transmitted_gps_s: float  # when it was sent or received: decides which record is the last
    sqrt_a_sqrt_m: float
    eccentricity: float
    i0_rad: float
    omega0_rad: float
    omega_rad: float
    m0_rad: float
    delta_n_rad_s: float
    omega_dot_rad_s: float
    idot_rad_s: float
    cuc_rad: float
    cus_rad: float
    crc_m: float
    crs_m: float
    cic_rad: float
    cis_rad: float
    af0_s: float
    af1_s_s: float
    af2_s_s2: float
    tgd_s: float = 0.0
    bgd_e5a_e1_s: float = 0.0
    bgd_e5b_e1_s: float = 0.0
    tgd1_s: float = 0.0
    tgd2_s: float = 0.0
    health: int = 0  # as sent; Galileo: bits as in RINEX, see `galileo_health`
    issue_of_data: int = 0  # IODE, IODnav, AODE or IODEC
    issue_of_clock: int = 0  # IODC or AODC; else as issue_of_data
    accuracy_m: float = float("nan")

    @property
    def satellite(self) -> str:
        """RINEX name of the satellite."""
        return f"{self.system}{self.number:02d}"

    @property
    def reference_gps_s(self) -> float:
        """Time the record is made for, s."""
        return self.toe_gps_s

    @property
    def is_geostationary(self) -> bool:
        """Whether the BeiDou form for geostationary satellites applies."""
        return self.system == "C" and self.number in BEIDOU_GEO_NUMBERS

    @property
    def is_healthy(self) -> bool:
        """Whether the satellite says that it may be used.

        Galileo: the bits of the signals its source belongs to. QZSS: the bits of L1 C/A and L1C/B
        alone do not count, since a satellite sends one of the two.
        """
        if self.system == "E":
            return self.health & (0b111_000 if self.source == FNAV else 0b111_000_111) == 0
        if self.system == "J":
            return self.health & 0b101110 == 0
        return self.health == 0

    @property
    def is_whole(self) -> bool:
        """Whether orbit and clock belong together: the IODE is the low byte of the IODC."""
        if self.system in "GJ":
            return self.issue_of_data == self.issue_of_clock & 0xFF
        return True


@dataclass(frozen=True, slots=True)
class GlonassEphemeris:
    """One GLONASS record: state in the rotating frame, luni-solar acceleration, clock."""

    number: int  # slot
    frequency_channel: int  # -7 to 6
    tb_gps_s: float  # reference time, continuous GPS time
    transmitted_gps_s: float
    x_m: float
    y_m: float
    z_m: float
    vx_m_s: float
    vy_m_s: float
    vz_m_s: float
    ax_m_s2: float
    ay_m_s2: float
    az_m_s2: float
    tau_n_s: float  # broadcast sign: the clock correction is -tau_n, which RINEX prints
    gamma_n: float
    delta_tau_n_s: float = 0.0  # delay of G2 over G1; NaN where not available
    health: int = 0  # 0 healthy: the leading bit of B_n
    issue_of_data: int = 0  # t_b in units of 15 minutes
    accuracy_m: float = float("nan")
    source: str = FDMA

    @property
    def system(self) -> str:
        """RINEX letter."""
        return "R"

    @property
    def satellite(self) -> str:
        """RINEX name of the satellite."""
        return f"R{self.number:02d}"

    @property
    def reference_gps_s(self) -> float:
        """Time the record is made for, s."""
        return self.tb_gps_s

    @property
    def is_healthy(self) -> bool:
        """Whether the satellite says that it may be used."""
        return self.health == 0

    @property
    def is_whole(self) -> bool:
        """Whether the strings of the record belong together, as far as energy tells.

        The message has no mark of it, yet recorded sets exist whose z is half an hour older than
        x and y. All satellites share one orbit size, and a mixed set misses it.
        """
        gm_m3_s2, earth_rate_rad_s = ORBIT_CONSTANTS["R"]
        radius_m = math.hypot(self.x_m, self.y_m, self.z_m)
        speed_m_s = math.hypot(
            self.vx_m_s - earth_rate_rad_s * self.y_m,
            self.vy_m_s + earth_rate_rad_s * self.x_m,
            self.vz_m_s,
        )
        if radius_m <= 0.0:
            return False
        reciprocal_m = 2.0 / radius_m - speed_m_s**2 / gm_m3_s2
        return abs(1.0 - _GLONASS_AXIS_M * reciprocal_m) * _GLONASS_AXIS_M <= _GLONASS_AXIS_SPREAD_M


Ephemeris = KeplerEphemeris | GlonassEphemeris


def galileo_health(
    *, e1b: int = 0, e1b_invalid: int = 0, e5a: int = 0, e5a_invalid: int = 0,
    e5b: int = 0, e5b_invalid: int = 0,
) -> int:  # fmt: skip
    """Join the Galileo health fields as RINEX does (0 = all well).

    Parameters
    ----------
    e1b, e5a, e5b : int
        Signal health status, 2 bits.
    e1b_invalid, e5a_invalid, e5b_invalid : int
        Data validity status, 1 bit.

    References
    ----------
    RINEX 3.05 table A8, from memory: bit 0 E1-B data, 1-2 E1-B, 3 E5a data, 4-5 E5a, 6 E5b data,
    7-8 E5b.
    """
    first = e1b_invalid | e1b << 1
    return first | e5a_invalid << 3 | e5a << 4 | e5b_invalid << 6 | e5b << 7


@dataclass(frozen=True, eq=False)
class KeplerColumns:
    """Kepler records as columns, all of shape (n,) and not writeable.

    The fields are those of `KeplerEphemeris` with the constants of each system beside them;
    `toe_of_week_s` is the reference time on the system's own scale (BDT for BeiDou), s of week.
    """

    system: npt.NDArray[np.str_]
    is_geostationary: BoolArray
    gm_m3_s2: FloatArray
    earth_rate_rad_s: FloatArray
    toe_of_week_s: FloatArray
    toe_gps_s: FloatArray
    toc_gps_s: FloatArray
    sqrt_a_sqrt_m: FloatArray
    eccentricity: FloatArray
    i0_rad: FloatArray
    omega0_rad: FloatArray
    omega_rad: FloatArray
    m0_rad: FloatArray
    delta_n_rad_s: FloatArray
    omega_dot_rad_s: FloatArray
    idot_rad_s: FloatArray
    cuc_rad: FloatArray
    cus_rad: FloatArray
    crc_m: FloatArray
    crs_m: FloatArray
    cic_rad: FloatArray
    cis_rad: FloatArray
    af0_s: FloatArray
    af1_s_s: FloatArray
    af2_s_s2: FloatArray

    def __post_init__(self) -> None:
        _freeze(self)

    @property
    def size(self) -> int:
        """Number of records."""
        return len(self.system)

    @classmethod
    def stack(cls, ephemerides: Sequence[KeplerEphemeris]) -> "KeplerColumns":
        """Stack records in the order given."""
        systems = [record.system for record in ephemerides]
        constants = np.array([ORBIT_CONSTANTS[system] for system in systems]).reshape(-1, 2)
        names = [field.name for field in fields(cls)][5:]
        columns = {
            name: np.array([getattr(record, name) for record in ephemerides], dtype=np.float64)
            for name in names
        }
        bdt = np.array([BDT_BEHIND_GPS_S if system == "C" else 0.0 for system in systems])
        return cls(
            system=np.array(systems, dtype="<U1"),
            is_geostationary=np.array([record.is_geostationary for record in ephemerides], bool),
            gm_m3_s2=constants[:, 0].copy(),
            earth_rate_rad_s=constants[:, 1].copy(),
            toe_of_week_s=np.mod(columns["toe_gps_s"] - bdt, SECONDS_PER_WEEK),
            **columns,
        )


@dataclass(frozen=True, eq=False)
class GlonassColumns:
    """GLONASS records as columns: shape (n,), the vectors (n, 3); not writeable."""

    tb_gps_s: FloatArray
    position_m: FloatArray
    velocity_m_s: FloatArray
    acceleration_m_s2: FloatArray  # of Moon and Sun, constant
    tau_n_s: FloatArray
    gamma_n: FloatArray

    def __post_init__(self) -> None:
        _freeze(self)

    @property
    def size(self) -> int:
        """Number of records."""
        return len(self.tb_gps_s)

    @classmethod
    def stack(cls, ephemerides: Sequence[GlonassEphemeris]) -> "GlonassColumns":
        """Stack records in the order given."""

        def column(*names: str) -> FloatArray:
            rows = [[getattr(record, name) for name in names] for record in ephemerides]
            return np.array(rows, dtype=np.float64).reshape(-1, len(names))

        return cls(
            tb_gps_s=column("tb_gps_s")[:, 0],
            position_m=column("x_m", "y_m", "z_m"),
            velocity_m_s=column("vx_m_s", "vy_m_s", "vz_m_s"),
            acceleration_m_s2=column("ax_m_s2", "ay_m_s2", "az_m_s2"),
            tau_n_s=column("tau_n_s")[:, 0],
            gamma_n=column("gamma_n")[:, 0],
        )


def _freeze(columns: KeplerColumns | GlonassColumns) -> None:
    """Check that all columns are equally long, and forbid writing to them."""
    arrays = [getattr(columns, field.name) for field in fields(columns)]
    assert len({len(array) for array in arrays}) == 1, "columns of unequal length"
    for array in arrays:
        array.setflags(write=False)


def group_by_satellite(ephemerides: Iterable[Ephemeris]) -> dict[str, list[Ephemeris]]:
    """Sort records into a list a satellite, in the order given."""
    groups: dict[str, list[Ephemeris]] = {}
    for record in ephemerides:
        groups.setdefault(record.satellite, []).append(record)
    return groups


def select(
    ephemerides: Iterable[Ephemeris],
    satellite: str,
    gps_ms: int,
    *,
    sources: Collection[str] | None = None,
    healthy_only: bool = True,
) -> Ephemeris | None:
    """Choose the record of a satellite that a receiver would use at a time.

    Parameters
    ----------
    ephemerides : iterable of Ephemeris
        Records, of any satellites.
    satellite : str
        RINEX name.
    gps_ms : int
        Time of use, GPS ms.
    sources : collection of str, optional
        Only records of these messages, as {"inav"}; None: of any.
    healthy_only : bool
        Whether records of a satellite that says it is sick are left out.

    Returns
    -------
    Ephemeris or None
        Among the whole records within their fit, the one sent last before the time; if all were
        sent later, the earliest of them (files, and the first minute of a recording). None if
        there is none, or if the record sent last says that the satellite is sick.

    Notes
    -----
    Not the record with the nearest reference time: a new upload has a reference time a few seconds
    off the full hour and is far better than the record nearest in time that it replaces.
    """
    time_s = gps_ms / MS_PER_SECOND
    usable = [
        record
        for record in ephemerides
        if record.satellite == satellite
        and (sources is None or record.source in sources)
        and record.is_whole
        and abs(time_s - record.reference_gps_s) <= FIT_S[record.system]
    ]
    before = [record for record in usable if record.transmitted_gps_s <= time_s]
    if before:
        # of equals the later in the sequence: the last one received
        chosen = max(reversed(before), key=_sent)
    elif usable:
        chosen = min(usable, key=_sent)
    else:
        return None
    return chosen if chosen.is_healthy or not healthy_only else None


def _sent(record: Ephemeris) -> tuple[float, float]:
    return record.transmitted_gps_s, record.reference_gps_s


def select_all(
    ephemerides: Mapping[str, Sequence[Ephemeris]] | Iterable[Ephemeris],
    gps_ms: int,
    *,
    sources: Collection[str] | None = None,
    healthy_only: bool = True,
) -> dict[str, Ephemeris]:
    """Choose the record of every satellite, by name; arguments as for `select`.

    A mapping from `group_by_satellite` saves the sorting when called often.
    """
    groups: Mapping[str, Sequence[Ephemeris]] = (
        ephemerides if isinstance(ephemerides, Mapping) else group_by_satellite(ephemerides)
    )
    chosen = {
        satellite: select(records, satellite, gps_ms, sources=sources, healthy_only=healthy_only)
        for satellite, records in groups.items()
    }
    return {satellite: record for satellite, record in sorted(chosen.items()) if record}
