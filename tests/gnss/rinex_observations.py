"""A small reader of RINEX 3.04 observation files, for tests only."""

from dataclasses import dataclass

import numpy as np

from rtcmtool.gnss.time import gps_ms_from_date


@dataclass
class ObservationFile:
    """Header position and epochs: `epochs[i]` is (gps_ms, {satellite: {code: value}})."""

    position_m: np.ndarray
    epochs: list[tuple[int, dict[str, dict[str, float]]]]

    def pseudoranges(self, index):
        """Give satellite -> signal -> m of one epoch."""
        return {
            satellite: {code[1:]: value for code, value in values.items() if code[0] == "C"}
            for satellite, values in self.epochs[index][1].items()
        }


def read_observations(path, every=1, limit=None):
    """Read every n-th epoch of a file; blank and zero values are left out."""
    lines = path.read_text().splitlines()
    codes: dict[str, list[str]] = {}
    position = np.zeros(3)
    system = ""
    row = 0
    while (label := lines[row][60:].strip()) != "END OF HEADER":
        if label == "SYS / # / OBS TYPES":
            system = lines[row][0].strip() or system
            codes.setdefault(system, []).extend(lines[row][7:60].split())
        elif label == "APPROX POSITION XYZ":
            position = np.array(lines[row][:60].split(), dtype=float)
        row += 1
    row += 1
    epochs: list[tuple[int, dict[str, dict[str, float]]]] = []
    count = 0
    while row < len(lines) and (limit is None or len(epochs) < limit):
        year, month, day, hour, minute, second, _, number = lines[row][1:].split()[:8]
        if count % every == 0:
            gps_ms = gps_ms_from_date(
                int(year), int(month), int(day), int(hour), int(minute), float(second)
            )
            block = lines[row + 1 : row + 1 + int(number)]
            epochs.append((gps_ms, {line[:3]: _values(line, codes[line[0]]) for line in block}))
        row += 1 + int(number)
        count += 1
    return ObservationFile(position, epochs)


def _values(line, codes):
    values = {}
    for column, code in enumerate(codes):
        text = line[3 + 16 * column : 17 + 16 * column].strip()
        if text and float(text) != 0.0:
            values[code] = float(text)
    return values
