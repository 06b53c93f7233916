"""Why something is not known: the reasons are true when nothing has come, and of one epoch."""

import pytest

from rtcmtool.diagnosis.announced_stream import compare_announced
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.finding import State
from rtcmtool.diagnosis.live_verdict import LiveJudge
from rtcmtool.diagnosis.verdict import Verdict, judge
from rtcmtool.monitor.stream_state import StreamState
from rtcmtool.sources.sourcetable import parse_sourcetable
from tests.monitor.following import Follower
from tests.strategies import STATION_POSITION
from tests.streams import base_stream, observed, state_of

# What only a message that came can show: that it lacks something.
_LACKING = (
    "carry no lock times", "do not tell it", "no GLONASS", "no signal strengths are sent",
    "no usable observations", "no message type",
)  # fmt: skip
_NEED_OBSERVATIONS = (
    "two_bands", "satellites_enough", "geometry", "half_cycles", "slips", "lock_restart",
    "signal_strength", "band_drop", "multipath", "ionosphere", "clock_jumps", "systems_steady",
    "glonass_bias",
)  # fmt: skip


def texts(verdict: Verdict) -> dict[str, str]:
    return {finding.rule.name: finding.text for finding in verdict.findings}


@pytest.mark.parametrize("stream", [b"", STATION_POSITION * 25])
@pytest.mark.parametrize("live", [True, False])
def test_without_observations_the_reason_is_that_there_are_none(stream: bytes, live: bool) -> None:
    state = state_of(stream) if stream else StreamState()
    told = texts(judge(Context(state, live=live)))
    assert {told[name] for name in _NEED_OBSERVATIONS} == {"no observations came"}


@pytest.mark.parametrize("at_s", [0.2, 1.0, 2.0, 6.0, 12.0])
def test_in_its_first_seconds_a_healthy_stream_lacks_nothing(at_s: float) -> None:
    # MSM4 of four systems carries lock times, half cycles and strengths (RTCM 10403.x).
    follower = Follower(base_stream(40))
    follower.run(at_s)
    told = texts(LiveJudge(Context(follower.live.state)).judge(follower.live))
    wrong = {name: text for name, text in told.items() if any(part in text for part in _LACKING)}
    assert not wrong
    if at_s == 2.0:  # messages are there: it is not said that none came
        named = {told[name] for name in ("two_bands", "satellites_enough", "band_drop")}
        assert named == {"no epoch judged yet"}


def test_ephemerides_may_still_come_in_the_first_minute() -> None:
    follower = Follower(base_stream(80))
    follower.run(40.0)
    judge_ = LiveJudge(Context(follower.live.state))
    assert "no ephemerides came so far" in texts(judge_.judge(follower.live))["geometry"]
    follower.run(75.0)
    assert "no ephemerides in the stream" in texts(judge_.judge(follower.live))["geometry"]


def test_a_single_epoch_lacks_nothing_but_time() -> None:
    told = texts(judge(Context(state_of(base_stream(1)))))
    assert not [text for text in told.values() if any(part in text for part in _LACKING)]
    assert told["signal_strength"] == "fewer than 100 strengths of each first band so far"
    assert told["position_sent"] == "1006 once in the only epoch"


def test_what_messages_lack_is_still_said() -> None:
    code = texts(judge(Context(state_of(observed(1071, 30)))))
    assert code["slips"] == code["lock_restart"] == "these messages carry no lock times"
    assert code["half_cycles"] == "these messages do not tell it"
    assert code["band_drop"] == "no signal strengths are sent"
    assert code["multipath"] == "no usable observations"
    assert code["glonass_bias"] == "no GLONASS"
    legacy = texts(judge(Context(state_of(observed(1004, 30)))))
    assert legacy["half_cycles"] == "these messages do not tell it"
    empty = texts(judge(Context(state_of(observed(1074, 30, satellites=0)))))
    assert empty["slips"] == empty["clock_jumps"] == "no satellite in the observations"


def test_types_that_are_never_steady_are_not_called_steady() -> None:
    state = state_of(base_stream(30))
    assert state.epochs is not None
    state.epochs.types.clear()
    finding = next(f for f in judge(Context(state)).findings if f.rule.name == "systems_steady")
    assert finding.state is State.UNKNOWN
    assert finding.text == "no message type comes steadily: none can be missed"


def test_a_caster_stream_that_sends_nothing_is_no_proof_of_nothing_else() -> None:
    record = b"STR;BASE;Here;RTCM 3.3;1005(10),1074(1);2;GPS;NET;XXX;0;0;0;0;x;none;B;N;0;\r\n"
    stream = parse_sourcetable(record).streams[0]
    findings = {f.rule.name: f for f in compare_announced(stream, StreamState(), 60.0)}
    assert findings["stream_unannounced"].state is State.UNKNOWN
    assert findings["stream_intervals"].text == "none of them came"
    assert findings["stream_systems"].text == "no observations came"
