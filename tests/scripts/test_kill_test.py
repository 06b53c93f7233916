"""A recording that is killed loses nothing but the last second."""

import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import kill_test
import pytest


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_five_kills_at_random_moments_lose_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """All at the same time; the report is that of the script."""
    monkeypatch.setattr(kill_test, "OPENING_S", 120.0)
    seeds = range(70, 75)
    for seed in seeds:
        (tmp_path / str(seed)).mkdir()
    with ThreadPoolExecutor(len(seeds)) as pool:
        kill = kill_test.kill_once
        killed = {seed: pool.submit(kill, tmp_path / str(seed), seed) for seed in seeds}
        monkeypatch.setattr(kill_test, "kill_once", lambda _, seed: killed[seed].result())
        assert len({future.result().size_bytes for future in killed.values()}) > 1
    assert kill_test.main(["--times", "5", "--seed", "70"]) == 0
    assert "killed 5 times" in capsys.readouterr().out


def test_a_loss_would_be_seen(tmp_path) -> None:
    sender = kill_test.Sender(1)
    sender.sent += b"abcdef" * 100
    sender.marks.append((10.0, 600))
    path = tmp_path / "job.rtcm3"
    path.write_bytes(b"abcdef" * 50)
    assert "more than the last 1 s is lost" in kill_test.look(path, sender, 12.0).faults
    assert "more than the last 1 s is lost" not in kill_test.look(path, sender, 10.5).faults
    path.write_bytes(b"abcdeX" * 50)
    assert "the bytes are not those that were sent" in kill_test.look(path, sender, 10.5).faults
    sender.abandon()
