"""rtcmtool: listens to an RTK base and says whether a rover can fix with what it sends."""

__version__ = "0.1.0"
