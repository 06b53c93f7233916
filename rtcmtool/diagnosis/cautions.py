"""The usual cautions, printed beside advice that could hurt someone. Common practice, no source.

The distance before the antenna follows from the public exposure limit of the FCC at 450 MHz, with a
gain antenna and ground reflection.
"""

from enum import Enum


class Caution(Enum):
    """What must be said beside some advice."""

    POWER = (
        "Transmit only on a licensed channel at the lowest power that works. Never key a radio "
        "without its antenna. Keep people 3.5 m from a 35 W antenna while it transmits."
    )
    MASTS = (
        "Keep masts at least 3 m (10 ft) from power lines. Leave the mast in thunder. Local codes, "
        "your licence and the site's safety plan come first."
    )
    BATTERIES = (
        "Fuse the lead at the battery; cover its terminals; do not charge it in a closed box."
    )
