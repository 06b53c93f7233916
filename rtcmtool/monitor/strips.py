"""Strips: per message type a cell every 10 s that says whether what was due came.

A message is due by its usual interval after the one before. A cell is filled while time passes:
what is overdue marks it at once, not when the cell ends. Messages that carry an epoch tell
afterwards whether they were late or lost; a mark made too early is then taken back.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from rtcmtool.monitor.steady_clock import NS_PER_S

CELL_S = 10
KEPT_CELLS = 8640  # 24 h
VIEWS_S = (10, 30, 120, 600)
ANY_BYTES = -1
FOREIGN = -2
DELAY = -3
MOST_ROWS = 40  # a hostile stream could name 4096 numbers
OVERDUE = 1.0  # intervals after which what was due is marked
LEAST_OVERDUE_S = 0.5
SLOW_EPOCHS = 2.5  # messages rarer than that are timed by the epochs before them
STOPPED_S = 60.0  # of the others going on: a type that stays away is no longer due
STOPPED_INTERVALS = 6
_CELL_NS = CELL_S * NS_PER_S
_OPEN_CELLS = 12  # that can still change
_DAY_NS = KEPT_CELLS * _CELL_NS

CAME, PART, NONE_CAME, DAMAGED, NOT_WATCHED, NOT_DUE = "-o#x? "
_HEALTH = {NOT_DUE: 0, CAME: 1, NOT_WATCHED: 2, PART: 3, NONE_CAME: 4, DAMAGED: 5}


@dataclass(slots=True)
class _Cell:
    came: int = 0
    missed: int = 0
    damaged: int = 0
    unwatched: bool = False

    @property
    def mark(self) -> str:
        if self.missed:
            if self.damaged:
                return DAMAGED
            return PART if self.came else NONE_CAME
        if self.unwatched:
            return NOT_WATCHED
        return CAME if self.came else NOT_DUE


@dataclass(slots=True)
class _Row:
    """One type: its ring of marks, the cells that can still change, and when it is due."""

    ring: bytearray = field(default_factory=lambda: bytearray(b" " * KEPT_CELLS))
    cells: dict[int, _Cell] = field(default_factory=dict)
    interval_ns: int | None = None
    last_ns: int | None = None
    last_epoch_ms: int | None = None
    last_stream_ms: int | None = None
    stream_stood: bool = False  # no epoch had come between the last message and the one before
    due_ns: int | None = None
    booked: list[int] = field(default_factory=list)  # cells of the misses since the last one
    lost: int = 0

    def cell(self, index: int) -> _Cell:
        cell = self.cells.get(index)
        if cell is None:
            cell = self.cells[index] = _Cell()
            while len(self.cells) > _OPEN_CELLS:
                del self.cells[min(self.cells)]
        return cell

    def show(self, index: int) -> None:
        cell = self.cells.get(index)
        if cell is not None:
            self.ring[index % KEPT_CELLS] = ord(cell.mark)

    def miss(self, index: int) -> None:
        self.cell(index).missed += 1
        self.lost += 1
        self.show(index)

    def unmiss(self, index: int) -> None:
        self.lost -= 1
        cell = self.cells.get(index)
        if cell is not None and cell.missed:
            cell.missed -= 1
            self.show(index)


class Strips:
    """The strips of a stream.

    Parameters
    ----------
    start_ns : int
        When listening began, on the steady axis.

    Attributes
    ----------
    interval_s : float or None
        The stream's own epoch interval; set by the caller as it becomes known.
    """

    def __init__(self, start_ns: int) -> None:
        self.interval_s: float | None = None
        self._rows: dict[int, _Row] = {}
        self._start = start_ns // _CELL_NS
        self._now_ns = start_ns
        self._cell = self._start
        self._unwatched_from: int | None = None
        self._alive_ns = start_ns  # when something came last

    @property
    def numbers(self) -> list[int]:
        """Message numbers that have a strip, in order."""
        return sorted(number for number in self._rows if number >= 0)

    def lost(self, *numbers: int) -> int:
        """Messages of some types that were due and never came."""
        return sum(row.lost for number in numbers if (row := self._rows.get(number)))

    # ---- what comes in

    def message(
        self,
        number: int,
        now_ns: int,
        interval_s: float | None,
        epoch_ms: int | None,
        stream_ms: int | None = None,
    ) -> None:
        """Take a message.

        Parameters
        ----------
        number : int
            Its number, or `ANY_BYTES`.
        now_ns : int
            When it came, on the steady axis, in ns.
        interval_s : float or None
            Usual interval of its type.
        epoch_ms : int or None
            Its epoch on the batches' timeline, if it carries one.
        stream_ms : int, optional
            Latest epoch of the stream, where that goes on: the time of messages without their own.
        """
        row = self._row(number)
        if row is None:
            return
        index = self._index(now_ns)
        row.interval_ns = round(interval_s * NS_PER_S) if interval_s else None
        if row.interval_ns and row.last_ns is not None:
            self._book(row, now_ns, epoch_ms, stream_ms)
        row.booked.clear()
        row.cell(index).came += 1
        row.show(index)
        row.last_ns = self._alive_ns = now_ns
        row.last_epoch_ms = epoch_ms
        row.stream_stood = stream_ms is None or stream_ms == row.last_stream_ms
        row.last_stream_ms = row.last_stream_ms if stream_ms is None else stream_ms
        row.due_ns = now_ns + row.interval_ns if row.interval_ns else None

    def _step_ns(self, row: _Row, now_ns: int, epoch_ms: int | None, stream_ms: int | None) -> int:
        """Give the time since the last message: by the stream's own time where there is one."""
        assert row.interval_ns is not None
        assert row.last_ns is not None
        step_ns = now_ns - row.last_ns
        if epoch_ms is not None and row.last_epoch_ms is not None:
            return 1_000_000 * (epoch_ms - row.last_epoch_ms)
        if stream_ms is None or row.last_stream_ms is None or row.stream_stood:
            return step_ns
        if stream_ms <= row.last_stream_ms:
            return step_ns
        own_ns = 1_000_000 * (stream_ms - row.last_stream_ms)
        is_slow = row.interval_ns >= SLOW_EPOCHS * (self.interval_s or 1.0) * NS_PER_S
        # Of messages as frequent as epochs a lost epoch must not look like a lost message.
        return own_ns if is_slow else min(own_ns, step_ns)

    def _book(self, row: _Row, now_ns: int, epoch_ms: int | None, stream_ms: int | None) -> None:
        """Settle what was lost between the last message and this one."""
        assert row.interval_ns is not None
        assert row.last_ns is not None
        step_ns = self._step_ns(row, now_ns, epoch_ms, stream_ms)
        if row.due_ns is None:  # it had stopped being due
            return
        truly = max(round(step_ns / row.interval_ns) - 1, 0)
        while len(row.booked) > truly:
            row.unmiss(row.booked.pop())
        place = row.last_ns + row.interval_ns * len(row.booked)
        most = min(truly - len(row.booked), KEPT_CELLS)
        for _ in range(most):
            place = min(place + row.interval_ns, now_ns)
            row.miss(place // _CELL_NS)

    def damaged(self, number: int | None, now_ns: int) -> None:
        """Take a damaged frame: it marks its row, else every row that is due."""
        row = self._rows.get(number) if number is not None else None
        rows = [row] if row else [r for n, r in self._rows.items() if n >= 0 and _is_due(r, now_ns)]
        index = self._index(now_ns)
        for each in rows:
            each.cell(index).damaged += 1
            each.show(index)

    def digit(self, number: int, now_ns: int, value: float) -> None:
        """Note a value for a strip of digits: the worst of the cell is kept, 9 at most."""
        row = self._row(number)
        if row is not None:
            place = self._index(now_ns) % KEPT_CELLS
            row.ring[place] = max(row.ring[place], ord("0") + min(max(int(value), 0), 9))

    def mark(self, number: int, now_ns: int, sign: str) -> None:
        """Put a sign into a strip where it is worse than what is there."""
        row = self._row(number)
        if row is not None:
            _worsen(row, self._index(now_ns), sign)

    def tick(self, now_ns: int) -> None:
        """Let time pass: mark what is overdue."""
        now_ns = max(now_ns, self._now_ns)
        self._enter(now_ns // _CELL_NS)
        self._now_ns = now_ns
        if self._unwatched_from is not None:
            return
        for number, row in self._rows.items():
            if row.due_ns is None or not row.interval_ns:
                continue
            if row.booked or row.due_ns <= now_ns:  # else it is neither overdue nor has it stopped
                self._mark_overdue(number, row, now_ns)

    def _mark_overdue(self, number: int, row: _Row, now_ns: int) -> None:
        assert row.interval_ns is not None
        assert row.due_ns is not None
        assert row.last_ns is not None
        patience = max(OVERDUE * row.interval_ns / 2, LEAST_OVERDUE_S * NS_PER_S)
        stopped_ns = max(STOPPED_S * NS_PER_S, STOPPED_INTERVALS * row.interval_ns)
        if number >= 0 and self._alive_ns - row.last_ns > stopped_ns:
            row.due_ns = None  # the stream goes on without it
            return
        row.due_ns = max(row.due_ns, now_ns - _DAY_NS)
        while row.due_ns + patience <= now_ns:
            index = row.due_ns // _CELL_NS
            row.miss(index)
            row.booked.append(index)
            row.due_ns += row.interval_ns
        if len(row.booked) > 2 * KEPT_CELLS:
            del row.booked[:-KEPT_CELLS]

    def _enter(self, index: int) -> None:
        """Clear the cells that time has entered."""
        sign = ord(NOT_DUE if self._unwatched_from is None else NOT_WATCHED)
        for cell in range(max(self._cell + 1, index - KEPT_CELLS + 1), index + 1):
            for number, row in self._rows.items():
                row.ring[cell % KEPT_CELLS] = sign if number != DELAY else ord(NOT_DUE)
        self._cell = max(self._cell, index)

    def pause(self, now_ns: int) -> None:
        """Tell that we are not watching from now on."""
        self.tick(now_ns)
        self._unwatched_from = now_ns // _CELL_NS
        self._mark_unwatched()

    def resume(self, now_ns: int) -> None:
        """Tell that we are watching again: what was due meanwhile is not known."""
        self.tick(now_ns)
        self._unwatched_from = None
        self._mark_unwatched()
        self.expect_nothing()

    def expect_nothing(self) -> None:
        """Tell that nothing is due until it has come once more."""
        for row in self._rows.values():
            row.booked.clear()
            row.last_ns = row.due_ns = None

    def _mark_unwatched(self) -> None:
        """Mark the present cell: part of it was not watched."""
        for number, row in self._rows.items():
            if number == FOREIGN:
                _worsen(row, self._cell, NOT_WATCHED)
            elif number != DELAY:
                row.cell(self._cell).unwatched = True
                row.show(self._cell)

    def _index(self, now_ns: int) -> int:
        """Give the cell of a time; cells that time has entered are cleared."""
        index = now_ns // _CELL_NS
        if index > self._cell:
            self._enter(index)
        return index

    # ---- what comes out

    def strip(self, number: int, cells: int, cell_s: int = CELL_S) -> str:
        """Give the latest cells of a row, the oldest first.

        Parameters
        ----------
        number : int
            Message number, `ANY_BYTES`, `FOREIGN` or `DELAY`.
        cells : int
            How many; blank before listening began.
        cell_s : int
            Length of a cell, one of `VIEWS_S`.
        """
        return self.merged_strip((number,), cells, cell_s)

    def merged_strip(self, numbers: Sequence[int], cells: int, cell_s: int = CELL_S) -> str:
        """Give several rows as one that hides no fault of any; else as `strip`."""
        rows = [row for number in numbers if (row := self._rows.get(number))]
        is_digits = DELAY in numbers
        merge = cell_s // CELL_S
        last = self._cell // merge
        found = []
        for group in range(last - cells + 1, last + 1):
            begin = max(group * merge, self._start, self._cell - KEPT_CELLS + 1)
            end = min((group + 1) * merge, self._cell + 1)
            marks = "".join(_marks(row, begin, end) for row in rows)
            found.append(_worst_digit(marks) if is_digits else merged(marks))
        return "".join(found)

    def _row(self, number: int) -> _Row | None:
        row = self._rows.get(number)
        if row is None and len(self._rows) < MOST_ROWS:
            row = self._rows[number] = _Row()
        return row


def _worsen(row: _Row, index: int, sign: str) -> None:
    place = index % KEPT_CELLS
    row.ring[place] = ord(max(chr(row.ring[place]), sign, key=lambda mark: _HEALTH[mark]))


def _marks(row: _Row, begin: int, end: int) -> str:
    return "".join(chr(row.ring[index % KEPT_CELLS]) for index in range(begin, end))


def _is_due(row: _Row, now_ns: int) -> bool:
    """Tell whether a message of a row is due about now."""
    if row.due_ns is None or not row.interval_ns:
        return False
    return now_ns >= row.due_ns - row.interval_ns // 4


def _worst_digit(marks: str) -> str:
    return max(marks, default=NOT_DUE)


def merged(marks: str) -> str:
    """Give one mark for several cells: a fault is never merged away.

    Examples
    --------
    >>> merged("--- "), merged("-#-"), merged("###"), merged("-x#"), merged("-?-"), merged("  ")
    ('-', 'o', '#', 'x', '?', ' ')
    """
    kinds = set(marks) - {NOT_DUE}
    if not kinds:
        return NOT_DUE
    if DAMAGED in kinds:
        return DAMAGED
    if kinds & {PART, NONE_CAME}:
        return NONE_CAME if kinds == {NONE_CAME} else PART
    return NOT_WATCHED if NOT_WATCHED in kinds else CAME
