"""Made phases: satellites with a smooth range and ionosphere, and faults on demand."""

import numpy as np

from rtcmtool.gnss.signals import carrier_hz
from rtcmtool.monitor.observed_epochs import place_of
from rtcmtool.wire.signal_ids import SIGNAL_ID
from tests.monitor.rinex_rows import rows_of_columns

START_MS = 1_456_642_800_000


def made(
    satellites=("G01", "G02", "G03", "G04", "G05", "G06"),
    signals=("1C", "2W"),
    *,
    epochs=120,
    interval_ms=1000,
    code_noise_m=0.0,
    ionosphere_mm_s=0.0,
    cnr=48.0,
    seed=1,
    edit=None,
):
    """Make rows; `edit(columns)` changes epoch, satellite, code and phase in place."""
    rng = np.random.default_rng(seed)
    shape = (epochs, len(satellites), len(signals))
    epoch, satellite, signal = (index.ravel() for index in np.indices(shape))
    t = epoch * interval_ms / 1000.0
    range_m = 2.1e7 + 1e5 * satellite + (90.0 + 20.0 * satellite) * t + 0.05 * t**2
    carriers = np.array([[carrier_hz(name[0], one, 0) for one in signals] for name in satellites])
    ratio = (carriers[:, :1] / carriers) ** 2
    delay_m = (4.0 + ionosphere_mm_s / 1000 * t) * ratio[satellite, signal]
    columns = {
        "epoch": epoch,
        "satellite": np.array(satellites)[satellite],
        "signal": np.array(signals)[signal],
        "code_m": range_m + delay_m + rng.normal(0.0, 1.0, epoch.size) * code_noise_m,
        "phase_m": range_m - delay_m + 3.0 * signal + 11.0 * satellite,
        "cnr": np.full(epoch.size, cnr) + rng.normal(0.0, 0.2, epoch.size),
        "lock_ms": np.full(epoch.size, -1),
        "lock_upper_ms": np.full(epoch.size, -1),
        "half_cycle": np.full(epoch.size, -1),
        "is_legacy": np.zeros(epoch.size, bool),
        "elevation_deg": np.full(epoch.size, np.nan),
        "phase_range_rate_m_s": np.full(epoch.size, np.nan),
        "keep": np.ones(epoch.size, bool),
    }
    if edit is not None:
        edit(columns)
    keep = columns["keep"]
    return rows_of_columns(
        START_MS + interval_ms * epoch[keep],
        (epoch * len(satellites) + satellite)[keep],
        [place_of(name) for name in columns["satellite"][keep]],
        [SIGNAL_ID[name] for name in columns["signal"][keep]],
        columns["code_m"][keep],
        columns["phase_m"][keep],
        columns["cnr"][keep],
        **{
            name: columns[name][keep]
            for name in (
                "lock_ms", "lock_upper_ms", "half_cycle", "is_legacy", "elevation_deg",
                "phase_range_rate_m_s",
            )
        },
    )  # fmt: skip
