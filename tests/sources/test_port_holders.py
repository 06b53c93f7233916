"""Who holds a serial port: the program by its command line, its process, and since when."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from rtcmtool.gnss.time import NS_PER_SECOND
from rtcmtool.sources.port_holders import Holder, holder_of, program_name
from rtcmtool.sources.ports import in_use

SINCE_NS = 1_772_610_154 * NS_PER_SECOND  # 2026-03-04T07:42:34Z, by `date -u -d @1772610154`

_OPENS = "import os, sys; os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print(1, flush=True); "
_WAITS = "sys.stdin.read()"


@pytest.mark.parametrize(
    ("line", "name"),
    [
        ("/opt/venv/bin/python /opt/venv/bin/rtcmtool record COM5 job", "rtcmtool record"),
        ("/usr/bin/python3.11 -m rtcmtool watch COM5", "rtcmtool watch"),
        ("/usr/local/bin/rtcmtool record COM5", "rtcmtool record"),
        ("/usr/bin/python3 -X dev -u -m rtcmtool -v record COM5", "rtcmtool record"),
        ("rtcmtool --version", "rtcmtool"),
        ("python3 -c pass rtcmtool record", "python3"),
        ("python3 /opt/logger.py --password secret", "logger.py"),
        ("/usr/bin/terminal-program -D /dev/ttyUSB0", "comm"),
        ("grep rtcmtool /dev/ttyUSB0", "comm"),
        ("", "comm"),
    ],
)
def test_a_program_is_named_by_what_was_run_and_without_its_arguments(line: str, name: str) -> None:
    comm = "python3" if "-c" in line else "comm"
    assert program_name(line.split(" "), comm) == name


def test_a_recorder_of_our_own_is_told_with_its_start_and_its_capture() -> None:
    holder = Holder("rtcmtool record", 4312, SINCE_NS, "/data/job.rtcm3")
    error = in_use("/dev/ttyUSB0", holder)
    assert str(error) == (
        "/dev/ttyUSB0 cannot be opened: rtcmtool record (process 4312) is using it."
    )
    assert error.why is not None
    assert error.why.startswith("that program was started 2026-03-04 07:42 UTC; one program")
    assert error.do == ("kill 4312 stops it; to look on: rtcmtool watch /data/job.rtcm3 --follow")


def test_another_command_of_our_own_is_to_be_stopped_and_others_to_be_closed() -> None:
    ours = in_use("COM5", Holder("rtcmtool check", 7))
    others = in_use("COM5", Holder("logger.py", 7))
    unknown = in_use("COM5", None)
    assert ours.do == "stop it: kill 7    then run the same line again."
    assert ours.why == unknown.why == "one program at a time can hold a port."
    assert others.do == unknown.do == "close the other program, then run the same line again."
    assert str(unknown) == "COM5 cannot be opened: another program is using it."


@pytest.mark.skipif(sys.platform != "linux", reason="the process table of Linux")
def test_the_process_table_gives_name_start_and_capture(tmp_path: Path) -> None:
    script = tmp_path / "rtcmtool"
    capture = tmp_path / "job.rtcm3"
    script.write_text(f"kept = open({str(capture)!r}, 'w'); {_OPENS}{_WAITS}")
    ours, theirs = os.openpty()
    device = os.ttyname(theirs)
    os.close(theirs)
    before_ns = time.time_ns()
    with subprocess.Popen(
        [sys.executable, script, device], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        found = holder_of(device)
        other.communicate()
    os.close(ours)
    assert found is not None
    assert (found.program, found.process, found.capture) == ("rtcmtool", other.pid, str(capture))
    assert found.since_utc_ns is not None
    # The start is told in ticks since the computer was started, and that to a second.
    assert abs(found.since_utc_ns - before_ns) < 120 * NS_PER_SECOND
