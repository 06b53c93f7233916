"""The answer of a caster, taken apart as it comes: revision 1 and revision 2. No I/O.

Revision 1 answers `ICY 200 OK`, with or without a blank line, with or without header lines, and
then sends bytes. Revision 2 is HTTP/1.1, usually chunked (from memory of both revisions).
"""

import re
from dataclasses import dataclass, field

LONGEST_HEAD_BYTES = 16 * 1024
LONGEST_LINE_BYTES = 1024
HEADER_LINE = re.compile(rb"[!-9;-~]{1,64}:[\t -\xff]*")  # RFC 9112, field lines
STATUS_LINE = re.compile(rb"(ICY|SOURCETABLE|HTTP/\d\.\d)\s+(\d{3})\s*([\t -\xff]*)")
MAY_BE_HEADER = re.compile(rb"[!-9;-~]{0,64}(:[\t -\xff]*)?\r?")
CHUNK_LINE = re.compile(rb"\s*([0-9A-Fa-f]{1,8})\s*(;.*)?")


class AnswerError(ValueError):
    """What came is no answer of a caster."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The head of an answer.

    Attributes
    ----------
    protocol : str
        `ICY`, `SOURCETABLE` or `HTTP/1.1`.
    code : int
        Status code.
    reason : str
        What the caster says to it.
    headers : dict
        By name in small letters.
    """

    protocol: str
    code: int
    reason: str
    headers: dict[str, str] = field(default_factory=dict)

    @property
    def is_sourcetable(self) -> bool:
        """Whether a source table follows instead of data."""
        kind = self.headers.get("content-type", "").lower()
        return self.protocol == "SOURCETABLE" or kind.startswith("gnss/sourcetable")

    @property
    def is_web_page(self) -> bool:
        """Whether a page for a browser follows, as networks with a log-in page send it."""
        return self.headers.get("content-type", "").lower().startswith("text/html")

    @property
    def is_chunked(self) -> bool:
        """Whether the bytes come in chunks."""
        return "chunked" in self.headers.get("transfer-encoding", "").lower()


class AnswerReader:
    """Reads head and body of an answer that comes in pieces of any size.

    Attributes
    ----------
    answer : Answer or None
        The head, once it is complete.
    has_ended : bool
        Whether the caster has said that nothing more comes.
    is_broken : bool
        Whether a chunk has no length: what came before it was given, nothing more can be.
    """

    def __init__(self) -> None:
        self.answer: Answer | None = None
        self.has_ended = self.is_broken = False
        self._rest = b""
        self._status: tuple[str, int, str] | None = None
        self._headers: dict[str, str] = {}
        self._body: _ChunkedBody | None = None

    @property
    def is_acknowledged(self) -> bool:
        """Whether a caster of revision 1 has said yes, though its head may go on."""
        return self._status is not None and self._status[0] == "ICY"

    def feed(self, data: bytes) -> bytes:
        """Take what has arrived; give the bytes of the body in it.

        Raises
        ------
        AnswerError
            If it is no answer of a caster.
        """
        if self.answer is None:
            self._rest += data
            if not self._read_head():
                if len(self._rest) > LONGEST_HEAD_BYTES:
                    raise AnswerError("the head of the answer has no end")
                return b""
            data, self._rest = self._rest, b""
        if self._body is None:
            return data
        body = self._body.feed(data)
        self.has_ended, self.is_broken = self._body.has_ended, self._body.is_broken
        return body

    def finish(self) -> bytes:
        """Tell that nothing more comes before a head of revision 1 was surely complete."""
        if self.answer is None and self._status is not None:
            self._end_head()
        data, self._rest = self._rest, b""
        return data

    def _read_head(self) -> bool:
        """Read as many lines of the head as are there; True when it is complete."""
        if self._status is None and not self._read_status_line():
            return False
        while True:
            line, newline, rest = self._rest.partition(b"\n")
            bare = line.removesuffix(b"\r")
            if newline and not bare:
                self._rest = rest
                return self._end_head()
            is_old = self.is_acknowledged
            if newline and HEADER_LINE.fullmatch(bare) and len(bare) < LONGEST_LINE_BYTES:
                name, _, value = bare.decode("latin-1").partition(":")
                self._headers[name.strip().lower()] = value.strip()
                self._rest = rest
                continue
            if newline and not is_old and bare:
                self._rest = rest  # a line that is no header: let it be
                continue
            # A caster of revision 1 may send data behind the very first line.
            is_data = is_old and (
                newline or len(line) > LONGEST_LINE_BYTES or not MAY_BE_HEADER.fullmatch(line)
            )
            return self._end_head() if is_data else False

    def _read_status_line(self) -> bool:
        line, newline, rest = self._rest.partition(b"\n")
        if not newline:
            if len(line) > LONGEST_LINE_BYTES or not line.isascii():
                raise AnswerError("the answer does not begin with a status line")
            return False
        found = STATUS_LINE.fullmatch(line.rstrip(b"\r"))
        if found is None:
            raise AnswerError("the answer does not begin with a status line")
        protocol, code, reason = (part.decode("latin-1") for part in found.groups())
        self._status, self._rest = (protocol, int(code), reason.strip()), rest
        return True

    def _end_head(self) -> bool:
        assert self._status is not None
        self.answer = Answer(*self._status, self._headers)
        self._body = _ChunkedBody() if self.answer.is_chunked else None
        return True


class _ChunkedBody:
    """Takes the lengths out of a chunked body; borders may fall anywhere."""

    def __init__(self) -> None:
        self.has_ended = self.is_broken = False
        self._left = 0  # bytes of the present chunk still to come
        self._line = bytearray()  # a line of length being read
        self._is_behind_data = False

    def feed(self, data: bytes) -> bytes:
        """Give the bytes without the lengths."""
        body = bytearray()
        at = 0
        while at < len(data) and not self.has_ended and not self.is_broken:
            if self._left:
                piece = data[at : at + self._left]
                body += piece
                at += len(piece)
                self._left -= len(piece)
                self._is_behind_data = not self._left
                continue
            end = data.find(b"\n", at)
            self._line += data[at : end if end >= 0 else len(data)]
            self.is_broken = len(self._line) > LONGEST_LINE_BYTES
            if end < 0:
                break
            at = end + 1
            self._take_line(bytes(self._line).rstrip(b"\r"))
            self._line.clear()
        return bytes(body)

    def _take_line(self, line: bytes) -> None:
        """Read a length, or the line end behind the data of a chunk."""
        if self._is_behind_data and not line:
            self._is_behind_data = False
            return
        found = CHUNK_LINE.fullmatch(line)
        if found is None:
            self.is_broken = True
            return
        self._is_behind_data = False
        self._left = int(found[1], 16)
        self.has_ended = self._left == 0
