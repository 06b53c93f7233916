"""A stream as if one station alone were heard: the one that is asked for, or each of several."""

import copy
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.wire.decoding import NONE, Batch

MOST_STATIONS = 6  # that are followed apart


def only_station(batch: Batch, station: int) -> Batch:
    """Leave out what other stations sent.

    Parameters
    ----------
    batch : Batch
        Of a stream in which several stations may be heard.
    station : int
        The one that is wanted.

    Returns
    -------
    Batch
        Its messages and those that name no station. Rejects stay: whose they were is not known.
    """
    wanted = (batch.station == station) | (batch.station == NONE)
    if wanted.all():
        return batch
    index = np.cumsum(wanted) - 1  # of each wanted frame among those that stay
    observations = batch.observations
    kept = observations.take(wanted[observations.frame])
    columns = ("number", "station", "epoch_ms", "gps_ms", "timeline_ms", "arrival_utc_ns")
    channels = batch.channels[wanted[batch.channels[:, 0]]]
    channels[:, 0] = index[channels[:, 0]]
    return replace(
        batch,
        block=replace(
            batch.block, starts=batch.block.starts[wanted], lengths=batch.block.lengths[wanted]
        ),
        **{name: getattr(batch, name)[wanted] for name in columns},
        more_follow=batch.more_follow[wanted],
        observations=kept.with_frames(index[kept.frame].astype(np.int32)),
        messages=[
            replace(message, frame=int(index[message.frame]))
            for message in batch.messages
            if wanted[message.frame]
        ],
        channels=channels,
    )


class StationStates:
    """The states of a stream's stations, each as if it alone were heard.

    Which station is ours may be known only at the end, and a port cannot be read twice. As long as
    one station is heard, the state of the stream is that of the station, and nothing is kept here;
    when another one comes in, the state so far becomes that of the first.

    Parameters
    ----------
    make_state : callable
        Makes an empty state: takes `navigation`, records that are known already.
    """

    def __init__(self, make_state: Callable[..., StreamState] = StreamState) -> None:
        self._make_state = make_state
        self._first: int | None = None
        self._states: dict[int, StreamState] = {}

    def update(self, batch: Batch, whole: StreamState) -> None:
        """Take the next batch of the stream, before its own state does.

        Parameters
        ----------
        batch : Batch
            The next batch.
        whole : StreamState
            The state of the stream before this batch.
        """
        heard = [int(station) for station in np.unique(batch.station) if station != NONE]
        if self._first is None and heard:
            self._first = int(batch.station[batch.station != NONE][0])
        if not self._states:
            if all(station == self._first for station in heard):
                return
            assert self._first is not None
            self._states[self._first] = copy.deepcopy(whole)
        for station in heard:
            if station not in self._states and len(self._states) < MOST_STATIONS:
                self._states[station] = self._new(whole)
        for station, state in self._states.items():
            state.update(only_station(batch, station))

    def _new(self, whole: StreamState) -> StreamState:
        """Make a state with the orbits that were heard before: they belong to no station."""
        known = whole.quality.fix.store.by_satellite.values()
        if not any(known):
            return self._make_state()
        return self._make_state(navigation=[record for records in known for record in records])

    def pause(self, before_s: float, after_s: float) -> None:
        """Tell that nobody listened for a while, as of `StreamState.pause`."""
        for state in self._states.values():
            state.pause(before_s, after_s)

    def finish(self, silent_s: float | None = None) -> None:
        """Tell that the stream has ended; `silent_s` as of `StreamState.finish`."""
        for state in self._states.values():
            state.finish(silent_s)

    def of(self, station: int | None) -> StreamState | None:
        """Give the state of a station; None where it was the only one, or was not followed."""
        return None if station is None else self._states.get(station)
