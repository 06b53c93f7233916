"""All messages: number to layout, title and system.

A number is decoded (it has a layout), known (it has a title only, because its layout is not sure
enough to print numbers from) or unknown. Messages of the IGS share number 4076 and are told apart
by their sub-type.
"""

from collections.abc import Mapping

from rtcmtool.wire.fields import SYSTEM_TITLES
from rtcmtool.wire.layout import Layout
from rtcmtool.wire.messages import (
    ephemerides,
    igs_state_space,
    legacy_observations,
    msm,
    network,
    state_space,
    station,
    text,
    transformations,
)
from rtcmtool.wire.signal_tables import MSM_SYSTEMS

_FAMILIES = (
    station,
    legacy_observations,
    msm,
    ephemerides,
    state_space,
    network,
    transformations,
    text,
)

LAYOUTS: dict[int, Layout] = dict(
    sorted((layout.number, layout) for family in _FAMILIES for layout in family.LAYOUTS)
)
IGS_NUMBER = igs_state_space.NUMBER
SUBTYPES: dict[tuple[int, int], Layout] = {
    (layout.number, layout.subtype): layout
    for layout in igs_state_space.LAYOUTS
    if layout.subtype is not None
}

LEGACY_NUMBERS: frozenset[int] = frozenset(layout.number for layout in legacy_observations.LAYOUTS)
MSM_NUMBERS: frozenset[int] = frozenset(MSM_SYSTEMS)
OBSERVATION_NUMBERS: frozenset[int] = LEGACY_NUMBERS | MSM_NUMBERS

# Systems of the state-space messages whose drafts differ: six messages each, from the number on.
_DRAFT_STATE_SPACE = {1246: "J", 1252: "S", 1258: "C"}
_PHASE_BIASES = dict(zip(range(1265, 1271), "GREJSC", strict=True))
_NOT_ASSIGNED = (1036, 1040, *range(1047, 1057), 1069, 1070)

EXPERIMENTAL = range(1, 101)
PROPRIETARY = range(4001, 4096)


def _draft_state_space() -> dict[int, tuple[str, str]]:
    """Give title and system of the state-space numbers without layout."""
    known = {
        first + place: (state_space.title(system, kind), system)
        for first, system in _DRAFT_STATE_SPACE.items()
        for place, kind in enumerate(state_space.KINDS)
    }
    for number, system in _PHASE_BIASES.items():
        known[number] = (f"{SYSTEM_TITLES[system]} state-space phase biases", system)
    return known


# Numbers that are known without a layout.
KNOWN_TITLES: dict[int, str] = dict(
    sorted(
        {
            1028: "plate-fixed transformation",
            1043: "SBAS ephemeris, draft",
            **dict.fromkeys(_NOT_ASSIGNED, "number not assigned"),
            **{number: name for number, (name, _) in _draft_state_space().items()},
            1264: "state-space ionosphere",
            **dict.fromkeys(range(1300, 1306), "coordinate systems"),
            IGS_NUMBER: "IGS state space",
        }.items()
    )
)
_SYSTEMS: Mapping[int, str | None] = {
    1043: "S",
    **{number: system for number, (_, system) in _draft_state_space().items()},
    **{number: layout.system for number, layout in LAYOUTS.items()},
}


def title(number: int | None, subtype: int | None = None) -> str:
    """Say what a message is, for people.

    Parameters
    ----------
    number : int or None
        Message number; None for an empty frame.
    subtype : int, optional
        Sub-type of a message of the IGS.

    Returns
    -------
    str
        Own wording. Compare numbers, never titles.

    Examples
    --------
    >>> title(1077), title(4076, 21), title(4050), title(7), title(2000), title(None)
    ... # doctest: +NORMALIZE_WHITESPACE
    ('GPS MSM7', 'IGS GPS state-space orbit corrections', 'proprietary message',
     'experimental message', 'unknown message', 'empty frame')
    """
    if number is None:
        return "empty frame"
    layout = LAYOUTS.get(number)
    if layout is None and subtype is not None:
        layout = SUBTYPES.get((number, subtype))
    if layout is not None:
        return layout.title
    if number in KNOWN_TITLES:
        return KNOWN_TITLES[number]
    if number in PROPRIETARY:
        return "proprietary message"
    return "experimental message" if number in EXPERIMENTAL else "unknown message"


def system_of(number: int) -> str | None:
    """Give the RINEX letter of the only system a number is about; None if there is none.

    Examples
    --------
    >>> system_of(1012), system_of(1135), system_of(1005)
    ('R', 'I', None)
    """
    return _SYSTEMS.get(number)
