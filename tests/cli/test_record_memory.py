"""What `record` keeps in memory: the state of a stream is large, so there is one a source."""

from pathlib import Path

import pytest

from rtcmtool.monitor.stream_state import StreamState
from tests.cli.conftest import Runner


@pytest.mark.parametrize("others", [0, 1])
def test_every_source_has_one_state_and_nothing_else_has(
    run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, others: int
) -> None:
    made: list[StreamState] = []
    usual = StreamState.__init__

    def counted(self: StreamState, *more: object, **named: object) -> None:
        made.append(self)
        usual(self, *more, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(StreamState, "__init__", counted)
    also = [part for place in range(others) for part in ("--also", f"udp://127.0.0.1:{place}")]
    done = run("record", "udp://127.0.0.1:0", tmp_path / "job", "--duration", "0.1", *also)
    assert done.code in {0, 4}, done.err
    assert len(made) == 1 + others
