"""Replay at the pace of the recording, faster, or as fast as it goes.

The clock and the way to wait come from the caller, so replay is the same in a test and in a view.
"""

from collections.abc import Callable, Iterable, Iterator

from rtcmtool.wire.stream import Chunk

SLOWEST, FASTEST = 0.1, 1000.0
MAX_SPEED = float("inf")  # no waiting at all
_LEAST_WAIT_S = 1e-6  # nanoseconds since 1970 are not told apart as floating numbers
LONGEST_WAIT_S = 0.2  # at once: so long does a key of the viewer wait at most

TimeOfChunk = Callable[[Chunk], int | None]


def arrival_of(chunk: Chunk) -> int | None:
    """Give the first arrival of a chunk, UTC ns, where there is one."""
    return int(chunk.utc_ns[0]) if len(chunk.utc_ns) else None


class Pace:
    """The controls of a replay, used by the viewer while chunks are being given out.

    Parameters
    ----------
    speed : float
        0.1 to 1000, or `MAX_SPEED`.

    Attributes
    ----------
    is_paused : bool
        Nothing is given out, steps apart.
    position_utc_ns : int or None
        Recorded time of the latest chunk.
    """

    def __init__(self, speed: float = 1.0) -> None:
        self._speed = 1.0
        self.speed = speed
        self.is_paused = False
        self.position_utc_ns: int | None = None
        self._steps = 0
        self._is_stopped = False

    @property
    def speed(self) -> float:
        """How many times faster than recorded."""
        return self._speed

    @speed.setter
    def speed(self, value: float) -> None:
        if not (SLOWEST <= value <= FASTEST or value == MAX_SPEED):
            raise ValueError(f"the speed is {SLOWEST} to {FASTEST:.0f}, or max; not {value}")
        self._speed = value

    def pause(self) -> None:
        """Stop giving out, until `resume` or `step`."""
        self.is_paused = True

    def resume(self) -> None:
        """Go on from where it stands."""
        self.is_paused = False
        self._steps = 0

    def step(self) -> None:
        """Give out one chunk more at once, and stay paused."""
        self.is_paused = True
        self._steps += 1

    def stop(self) -> None:
        """End the replay."""
        self._is_stopped = True

    @property
    def is_stopped(self) -> bool:
        """Whether the replay shall end."""
        return self._is_stopped

    def take_step(self) -> bool:
        """Use up a step, if one was asked for."""
        if not self._steps:
            return False
        self._steps -= 1
        return True


def paced(
    chunks: Iterable[Chunk],
    speed: float | Pace,
    clock: Callable[[], float],
    sleep: Callable[[float], None],
    time_of: TimeOfChunk = arrival_of,
) -> Iterator[Chunk]:
    """Give out chunks at the time at which they arrived, on a clock of another speed.

    Parameters
    ----------
    chunks : iterable of Chunk
        In order; one arrival each for a true pace.
    speed : float or Pace
        0.1 to 1000, or `MAX_SPEED`; or controls that can be changed meanwhile.
    clock : callable
        Monotonic seconds.
    sleep : callable
        Waits for so many seconds, or less; it may handle keys meanwhile.
    time_of : callable
        UTC ns of a chunk, or None to give it out with the one before: by default its arrival. For
        a recording without arrivals the caller goes by the epochs.

    Yields
    ------
    Chunk
        The same, later. Waiting does not add up: a slow reader is caught up with. Where the
        recorded clock stepped back, the pace starts anew.
    """
    pace = speed if isinstance(speed, Pace) else Pace(speed)
    recorded_now_ns: float | None = None  # where the replay stands between two chunks
    last_s = clock()
    for chunk in chunks:
        due_ns = time_of(chunk)
        while not pace.is_stopped:
            now_s = clock()
            if recorded_now_ns is not None and not pace.is_paused and pace.speed != MAX_SPEED:
                recorded_now_ns += (now_s - last_s) * 1e9 * pace.speed
            last_s = now_s
            if pace.is_paused:
                if pace.take_step():
                    recorded_now_ns = due_ns
                    break
                sleep(LONGEST_WAIT_S)
                last_s = clock()  # time does not run meanwhile
                continue
            if due_ns is None:
                break
            is_back = pace.position_utc_ns is not None and due_ns < pace.position_utc_ns
            if recorded_now_ns is None or is_back or pace.speed == MAX_SPEED:
                recorded_now_ns = due_ns
            wait_s = (due_ns - recorded_now_ns) / 1e9 / pace.speed
            if wait_s <= _LEAST_WAIT_S:
                break
            sleep(min(wait_s, LONGEST_WAIT_S))
        if pace.is_stopped:
            return
        if due_ns is not None:
            pace.position_utc_ns = due_ns
        yield chunk
