"""Messages of a stream counted and timed, and nothing else: for tables of long recordings."""

from rtcmtool.monitor.message_stats import MessageTable
from rtcmtool.monitor.stream_clock import StreamClock
from rtcmtool.wire.decoding import Batch


class StreamCounts:
    """A light sister of `StreamState`.

    Attributes
    ----------
    clock : StreamClock
        When things happened.
    messages : MessageTable
        Counts and intervals by message number.
    """

    def __init__(self) -> None:
        self.clock = StreamClock()
        self.messages = MessageTable()

    def update(self, batch: Batch) -> None:
        """Take the next batch of the stream."""
        self.messages.update(batch, self.clock.times(batch))
