"""Growing columns for the signals that were seen, so that a state is no larger than its sky."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

Integers = npt.NDArray[np.int64]

_FIRST_SIZE = 64


class CellSlots:
    """Gives every cell (see `observed_epochs`) a slot, and keeps columns with a value a slot.

    Parameters
    ----------
    fills : mapping of str to int or float
        Columns and what a new slot holds; int makes an int64 column, float one of float64.

    Attributes
    ----------
    columns : dict of str to ndarray
        Longer than there are slots: only the first `len(slots)` values mean something. They are
        replaced when they grow, so take them anew after `of`.
    """

    def __init__(self, fills: Mapping[str, float]) -> None:
        self._fills = dict(fills)
        self._slot_of: dict[int, int] = {}
        self.columns: dict[str, npt.NDArray[Any]] = {
            name: np.full(_FIRST_SIZE, fill) for name, fill in self._fills.items()
        }

    def __len__(self) -> int:
        return len(self._slot_of)

    @property
    def cells(self) -> Integers:
        """Cells by slot, shape (n,)."""
        return np.array(list(self._slot_of), np.int64)

    def of(self, cell: Integers) -> Integers:
        """Give the slots of cells, new ones for cells not seen before.

        Parameters
        ----------
        cell : ndarray of int64, shape (n,)
            Rows of one cell stand together, else this is slow.
        """
        if not len(cell):
            return cell
        begins = np.ones(len(cell), np.bool_)
        begins[1:] = cell[1:] != cell[:-1]
        slot_of = self._slot_of
        slots = [slot_of.setdefault(one, len(slot_of)) for one in cell[begins].tolist()]
        self._grow()
        result: Integers = np.array(slots, np.int64)[np.cumsum(begins) - 1]
        return result

    def _grow(self) -> None:
        size = len(next(iter(self.columns.values())))
        if len(self) <= size:
            return
        while size < len(self):
            size *= 2
        for name, column in self.columns.items():
            longer = np.full(size, self._fills[name])
            longer[: len(column)] = column
            self.columns[name] = longer

    def known(self, name: str) -> npt.NDArray[Any]:
        """Give a column of the slots there are, shape (n,)."""
        return self.columns[name][: len(self)]
