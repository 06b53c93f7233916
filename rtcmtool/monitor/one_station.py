"""A stream as if one station alone were heard, for `--station`."""

from dataclasses import replace

import numpy as np

from rtcmtool.wire.decoding import NONE, Batch


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
