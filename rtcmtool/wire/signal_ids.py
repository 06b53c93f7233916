"""One small number for every signal, so that a signal fits a column."""

import numpy as np
import numpy.typing as npt

from rtcmtool.wire.observations import SYSTEM_LETTERS
from rtcmtool.wire.signal_tables import LEGACY_L1_SIGNALS, LEGACY_L2_SIGNALS, MSM_SIGNALS

Ids = npt.NDArray[np.uint8]

SIGNALS: tuple[str, ...] = tuple(
    sorted(
        {
            name
            for tables in (MSM_SIGNALS, LEGACY_L1_SIGNALS, LEGACY_L2_SIGNALS)
            for names in tables.values()
            for name in names
        }
    )
)
SIGNAL_ID: dict[str, int] = {name: index for index, name in enumerate(SIGNALS)}


def _ids(names: tuple[str, ...]) -> Ids:
    table = np.array([SIGNAL_ID[name] for name in names], dtype=np.uint8)
    table.setflags(write=False)
    return table


# Signal id by system code and index in the signal mask (1 to 32).
MSM_SIGNAL_IDS: Ids = np.stack([_ids(MSM_SIGNALS[letter]) for letter in SYSTEM_LETTERS])

# Signal ids by system letter, band (L1, L2) and code field.
LEGACY_SIGNAL_IDS: dict[str, tuple[Ids, Ids]] = {
    letter: (_ids(LEGACY_L1_SIGNALS[letter]), _ids(LEGACY_L2_SIGNALS[letter])) for letter in "GR"
}
