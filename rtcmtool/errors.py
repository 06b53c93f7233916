"""What a caller or a machine does wrong; what a stream does wrong is data, not an exception.

RtcmtoolError                  base; str() is one sentence for the user
  UsageError(ValueError)       bad option, site sheet or SOURCE text          exit 2
  SourceError(OSError)         not opened, refused, lost for good             exit 3
  NoFrameError                 the input holds no RTCM 3 frame                exit 4
  EncodeError(ValueError)      a value that does not fit its field
  LayoutError(ValueError)      a layout that contradicts itself: a fault of ours, at import
"""


class RtcmtoolError(Exception):
    """Base of all errors that are shown to the user without a traceback.

    Parameters
    ----------
    message : str
        What happened, one sentence.
    why : str, optional
        The reason, as far as known.
    do : str, optional
        What to do next.
    """

    exit_code = 1

    def __init__(self, message: str, *, why: str | None = None, do: str | None = None) -> None:
        super().__init__(message)
        self.why = why
        self.do = do


class UsageError(RtcmtoolError, ValueError):
    """The command was used wrongly."""

    exit_code = 2


class SourceError(RtcmtoolError, OSError):
    """The source could not be opened, or was lost for good."""

    exit_code = 3


class NoFrameError(RtcmtoolError):
    """The input holds no RTCM 3 frame."""

    exit_code = 4


class EncodeError(RtcmtoolError, ValueError):
    """A value does not fit its field."""


class LayoutError(RtcmtoolError, ValueError):
    """A layout contradicts itself: found at import."""
