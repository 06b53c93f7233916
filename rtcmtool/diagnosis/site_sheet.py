"""The site sheet: what the crew knows of mark, antenna, messages, radio and rover.

`sheet_parsing` makes one from text. Files that it names are read by the caller and handed in with
`with_marks`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from rtcmtool.diagnosis.known_marks import KnownMark
from rtcmtool.diagnosis.projection import NO_OPERATION, Operation
from rtcmtool.gnss.geodesy import FloatArray, arp_from_mark, vertical_from_slant_m


@dataclass(frozen=True, slots=True)
class SitePosition:
    """Where the mark is.

    Attributes
    ----------
    kind : str
        "known-mark" or "averaged".
    latitude_deg, longitude_deg, ellipsoidal_height_m : float or None
        Of the mark, whatever it was given in; None where it was not given.
    easting_m, northing_m, crs : float, str or None
        As given.
    levelled_height_m, geoid_separation_m : float or None
        As given; ellipsoidal = levelled + separation.
    height_kind : str or None
        "ellipsoidal" or "levelled" as told; None where it was not.
    outside_m : float
        How far the mark lies outside the area of use of its grid; 0 inside, and without a grid.
    frame : str or None
        What the crew calls the datum.
    marks_csv : str or None
        Name of the list of marks near by.
    operation : Operation
        The change of datum behind latitude and longitude; none mostly.
    """

    kind: str = "known-mark"
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    ellipsoidal_height_m: float | None = None
    easting_m: float | None = None
    northing_m: float | None = None
    crs: str | None = None
    levelled_height_m: float | None = None
    geoid_separation_m: float | None = None
    height_kind: str | None = None
    outside_m: float = 0.0
    frame: str | None = None
    marks_csv: str | None = None
    operation: Operation = NO_OPERATION

    @property
    def is_height_kind_untold(self) -> bool:
        """Whether a height beside easting and northing was taken as ellipsoidal unasked.

        Heights of grids are mostly levelled, tens of metres away from that.
        """
        return self.easting_m is not None and self.height_kind is None

    @property
    def mark(self) -> KnownMark | None:
        """The coordinates of the mark, or of the average; None where they are not given."""
        if self.latitude_deg is None or self.longitude_deg is None:
            return None
        assert self.ellipsoidal_height_m is not None
        return KnownMark("", self.latitude_deg, self.longitude_deg, self.ellipsoidal_height_m)


@dataclass(frozen=True, slots=True)
class SiteAntenna:
    """How high the antenna is, and which it is.

    Attributes
    ----------
    height_m : float or None
        As taped, in metres.
    is_slant : bool
        Taped to the rim.
    is_feet : bool
        Given in feet.
    slant_radius_m, slant_mark_above_arp_m : float
        Of the rim or notch.
    second_height_m : float or None
        Second measurement, taped the same way.
    name, serial : str or None
        As the base should name them.
    """

    height_m: float | None = None
    is_slant: bool = False
    is_feet: bool = False
    slant_radius_m: float = 0.0
    slant_mark_above_arp_m: float = 0.0
    second_height_m: float | None = None
    name: str | None = None
    serial: str | None = None

    @property
    def vertical_height_m(self) -> float | None:
        """Mark to ARP, vertical."""
        return self._vertical(self.height_m)

    @property
    def second_vertical_height_m(self) -> float | None:
        """The second measurement, vertical."""
        return self._vertical(self.second_height_m)

    def _vertical(self, taped_m: float | None) -> float | None:
        if taped_m is None or not self.is_slant:
            return taped_m
        return vertical_from_slant_m(taped_m, self.slant_radius_m, self.slant_mark_above_arp_m)


@dataclass(frozen=True, slots=True)
class SiteMessages:
    """What the base should send: station number, and seconds by message number."""

    station: int | None = None
    intervals_s: Mapping[int, float] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True)
class SiteRadio:
    """The radio: over-air rate, factor of its own air time, and whether a repeater sends again."""

    rate_bit_s: float | None = None
    overhead: float | None = None
    repeater: bool = False


@dataclass(frozen=True, slots=True)
class SiteRover:
    """What the rover can use: RINEX letters of systems, bands, families of messages; empty: all."""

    systems: tuple[str, ...] = ()
    bands: int | None = None
    families: tuple[str, ...] = ()
    distance_km: float | None = None
    height_difference_m: float | None = None
    same_make: bool | None = None


@dataclass(frozen=True, slots=True)
class SiteSheet:
    """The whole sheet; what was not written is None or empty.

    Attributes
    ----------
    marks : tuple of KnownMark
        From the list that `position.marks_csv` names.
    limits : mapping
        Changed limits: rule name, or rule name and "_bad".
    """

    name: str | None = None
    note: str | None = None
    position: SitePosition = SitePosition()
    antenna: SiteAntenna = SiteAntenna()
    messages: SiteMessages = SiteMessages()
    radio: SiteRadio = SiteRadio()
    rover: SiteRover = SiteRover()
    limits: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    marks: tuple[KnownMark, ...] = ()

    @property
    def is_averaged(self) -> bool:
        """Whether the base stands on a position of its own average."""
        return self.position.kind == "averaged"

    @property
    def known_mark(self) -> KnownMark | None:
        """The mark to compare with: None without coordinates, and on an averaged position."""
        return None if self.is_averaged else self.position.mark

    @property
    def expected_arp_ecef_m(self) -> FloatArray | None:
        """Where the ARP should be, shape (3,), m; None without mark or antenna height."""
        mark, height_m = self.position.mark, self.antenna.vertical_height_m
        return None if mark is None or height_m is None else arp_from_mark(mark.ecef_m, height_m)

    def with_marks(self, marks: tuple[KnownMark, ...]) -> "SiteSheet":
        """Give a copy with the marks near by."""
        return replace(self, marks=marks)
