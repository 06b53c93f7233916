"""Kill a running recording at random moments and look at what is left.

    python3 scripts/kill_test.py --times 50

Each time a server on this computer sends a made-up base much faster than real ones do, `record` is
killed so that it can do nothing more, and what lies on the disk is compared with what was sent:
it must be a beginning of it, hold everything that was sent up to a second before, and open as a
capture whose arrival times are right.
"""

import argparse
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from measuring_environment import run_where_packages_are

PROJECT = Path(__file__).resolve().parent.parent
NEEDED = ("rtcmtool", "numpy", "bitstring", "anycrc", "orjson")
ALLOWED_S = 1.0  # what was sent so shortly before may be lost
LONGEST_S = 2.5  # of recording before the kill
OPENING_S = 20.0


class Sender:
    """Sends bytes that never repeat to whoever connects, and remembers when.

    Attributes
    ----------
    sent : bytearray
        Everything handed to the network so far.
    marks : list of (float, int)
        Monotonic seconds, and how many bytes had been sent then.
    """

    def __init__(self, seed: int) -> None:
        self.sent = bytearray()
        self.marks: list[tuple[float, int]] = []
        self._chance = random.Random(seed)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:  # nobody came
            return
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with connection:
            try:
                while True:
                    data = self._chance.randbytes(self._chance.randint(20, 900))
                    connection.sendall(data)
                    self.sent += data
                    self.marks.append((time.monotonic(), len(self.sent)))
                    time.sleep(self._chance.uniform(0.001, 0.02))
            except OSError:  # the recorder is dead: that is the purpose
                return

    def close(self) -> None:
        """End; all that was sent is known then."""
        self._thread.join(5)
        self._listener.close()

    def abandon(self) -> None:
        """End without a recorder."""
        self._listener.shutdown(socket.SHUT_RDWR)
        self.close()

    def sent_before(self, moment_s: float) -> int:
        """Give the bytes that had been sent at a moment."""
        return max((size for at_s, size in self.marks if at_s <= moment_s), default=0)


@dataclass(frozen=True, slots=True)
class Found:
    """What a killed recording has left: bytes, bytes missing at its end, and what is wrong."""

    size_bytes: int
    missing_bytes: int
    faults: tuple[str, ...]


def kill_once(folder: Path, seed: int) -> Found:
    """Record, kill, and look.

    Parameters
    ----------
    folder : Path
        Empty; the capture is written there.
    seed : int
        Of the bytes and of the moment.
    """
    sender = Sender(seed)
    path = folder / "job.rtcm3"
    source = f"tcp://127.0.0.1:{sender.port}"
    command = [sys.executable, "-m", "rtcmtool", "record", source, str(folder / "job"), "--quiet"]
    process = subprocess.Popen(
        command, cwd=PROJECT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    due_s = time.monotonic() + OPENING_S
    while not (path.exists() and path.stat().st_size) and time.monotonic() < due_s:
        time.sleep(0.005)
    time.sleep(random.Random(seed).uniform(0.0, LONGEST_S))
    killed_s = time.monotonic()
    process.send_signal(signal.SIGKILL)
    process.wait()
    sender.close()
    return look(path, sender, killed_s)


def look(path: Path, sender: Sender, killed_s: float) -> Found:
    """Compare what is left with what was sent."""
    from rtcmtool.captures import open_capture

    faults = []
    left = path.read_bytes() if path.exists() else b""
    sent = bytes(sender.sent)
    # A last piece may have reached the recorder before it was counted as sent.
    if not (sent.startswith(left) or left.startswith(sent)):
        faults.append("the bytes are not those that were sent")
    if len(left) < sender.sent_before(killed_s - ALLOWED_S):
        faults.append(f"more than the last {ALLOWED_S:.0f} s is lost")
    capture = open_capture(path)
    if capture.size_bytes != len(left) or capture.description is None:
        faults.append("the capture does not open whole")
    if left and (not capture.has_arrivals or capture.arrivals.offsets[0] != 0):
        faults.append("arrival times are missing")
    if capture.arrivals.dropped > 1:  # the arrival of bytes that were never written
        faults.append(f"{capture.arrivals.dropped} arrival times are wrong")
    return Found(len(left), max(sender.sent_before(killed_s) - len(left), 0), tuple(faults))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the test; 0 when nothing was wrong."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    given = sys.argv[1:] if arguments is None else list(arguments)
    return run_where_packages_are(__file__, given, NEEDED, lambda: report(options))


def report(options: argparse.Namespace) -> int:
    """Do what the options ask for, and print what was found."""
    total = missing = bad = 0
    for number in range(options.times):
        with tempfile.TemporaryDirectory() as folder:
            found = kill_once(Path(folder), options.seed + number)
        total, missing = total + found.size_bytes, max(missing, found.missing_bytes)
        for fault in found.faults:
            bad += 1
            print(f"seed {options.seed + number}: {fault}")
    print(f"killed {options.times} times, {total} bytes recorded, faults {bad};")
    print(f"at most {missing} bytes that had been sent were missing at the end")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
