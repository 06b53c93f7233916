"""Run the tool as `python -m rtcmtool`."""

from rtcmtool.cli.main import entry

entry()
