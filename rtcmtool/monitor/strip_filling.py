"""What of a batch goes into the strips: messages with their interval and the stream's time."""

from rtcmtool.monitor import strips as strip_rows
from rtcmtool.monitor.message_stats import MessageStats
from rtcmtool.monitor.strips import Strips
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS
from rtcmtool.wire.decoding import NONE, Batch
from rtcmtool.wire.framing import Reject


class StripFiller:
    """Fills the strips of a stream.

    Parameters
    ----------
    strips : Strips
        Of the stream.
    """

    def __init__(self, strips: Strips) -> None:
        self._strips = strips
        self._stream_ms: int | None = None  # the stream's own time: its latest epoch

    def bytes_came(self, damaged: list[Reject], now_ns: int, interval_s: float | None) -> None:
        """Take that bytes came, and the damaged frames among them."""
        strips = self._strips
        strips.message(strip_rows.ANY_BYTES, now_ns, interval_s or 1.0, None)
        strips.mark(strip_rows.FOREIGN, now_ns, strip_rows.CAME)
        self.damage(damaged, now_ns)

    def damage(self, damaged: list[Reject], now_ns: int) -> None:
        """Take damaged frames."""
        for reject in damaged:
            self._strips.damaged(reject.number, now_ns)

    def messages(
        self, batch: Batch, table: dict[int, MessageStats], now_ns: int, *, is_running: bool
    ) -> None:
        """Take the messages of a batch.

        Parameters
        ----------
        batch : Batch
            What came now.
        table : dict
            What is known of each number, the batch counted in.
        now_ns : int
            Now, on the steady axis.
        is_running : bool
            Whether observations come: without them the stream's own time stands still and says
            nothing of the other messages.
        """
        for number, epoch_ms in zip(batch.number.tolist(), batch.timeline_ms.tolist(), strict=True):
            if number == NONE:
                continue
            own_ms = epoch_ms if number in OBSERVATION_NUMBERS and epoch_ms != NONE else None
            if own_ms is not None:
                self._stream_ms = own_ms
            every = table[number].sent_every_s if table[number].count > 2 else None
            stream_ms = self._stream_ms if is_running else None
            self._strips.message(number, now_ns, every, own_ms, stream_ms)
