import orjson
import pytest

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.live_verdict import LiveJudge
from rtcmtool.views.status_lines import (
    StatusLines,
    event_text,
    json_objects,
    outage_object,
    status_object,
    summary_lines,
)
from tests.monitor.following import Follower
from tests.streams import Sent, base_stream, without_epochs

SMALL = (1074, 1084)


def stream(epochs: int) -> list[Sent]:
    return base_stream(epochs, numbers=SMALL, satellites={"GPS": 8, "GLO": 6})


@pytest.mark.slow
def test_plain_mode_gives_a_line_a_change_and_one_a_minute() -> None:
    follower = Follower(without_epochs(stream(200), *range(80, 94)))
    live, lines = follower.live, StatusLines()
    judge, told = LiveJudge(Context(live.state)), []
    for second in range(1, 199):
        follower.run(float(second))
        told += lines.lines(live, judge.judge(live))
    sentences = [line.split("  ", 1)[1] for line in told]
    changes = [s for s in sentences if ";" not in s]
    assert changes[0] == "WAITING 1 s - nothing yet" or changes[0].startswith("CANNOT TELL")
    assert "SILENT for 3 s" in changes
    assert changes[-1] == "SENDING - whole and on time"
    assert 1 <= len(sentences) - len(changes) <= 3
    assert all(line.startswith("2026-03-04 0") and " UTC  " in line for line in told)
    assert len(told) < 12


def test_json_lines_carry_events_outages_and_the_status() -> None:
    follower = Follower(without_epochs(stream(60), *range(20, 34)))
    live = follower.run(60.0)
    verdict = LiveJudge(Context(live.state)).judge(live)
    objects = json_objects(live, verdict, live.take_events(), live.take_outages())
    assert [found["type"] for found in objects] == ["event", "event", "outage", "outage", "status"]
    opened, ended = objects[2:4]
    assert (opened["state"], opened["end_utc"]) == ("open", None)
    assert (ended["state"], ended["kind"], ended["duration_s"]) == ("ended", "silence", 15.0)
    assert ended["last_good_epoch_gps"] == "2026-03-04T07:00:19.000"
    assert all(orjson.loads(orjson.dumps(found)) == found for found in objects)


def test_the_status_says_null_for_what_is_not_known() -> None:
    live = Follower([]).run(2.0)
    found = status_object(live, LiveJudge(Context(live.state)).judge(live))
    assert (found["state"], found["headline"]) == ("waiting", "WAITING 2 s - nothing yet")
    unknown = ("station", "last_epoch_gps", "epoch_age_s", "interval_s", "position_age_s")
    assert [found[name] for name in unknown] == [None] * 5
    assert found["outage"] is None


def test_the_status_counts() -> None:
    live = Follower(stream(30)).run(30.0)
    found = status_object(live, LiveJudge(Context(live.state)).judge(live))
    assert (found["epochs_due"], found["epochs_whole"], found["satellites"]) == (
        30, 30, {"G": 8, "R": 6},
    )  # fmt: skip
    assert found["last_epoch_gps"] == "2026-03-04T07:00:29.000"
    assert found["delay_s"] == pytest.approx(0.6, abs=0.01)


def test_events_and_the_account_at_the_end_are_sentences() -> None:
    follower = Follower(without_epochs(stream(60), *range(20, 34)))
    live = follower.run(60.0)
    texts = [event_text(event) for event in live.take_events()]
    assert texts[1].endswith("outage: silent, ended after 15.0 s")
    (line,) = summary_lines(live)
    assert line == (
        "Watched 1 min. Gaps: 1, longest 15 s. 14 of 60 epochs not whole, 23 %. Position unchanged."
    )


def test_an_outage_at_the_end_of_a_recording_has_its_note() -> None:
    follower = Follower(stream(20))
    follower.run(40.0)
    live = follower.finish()
    assert outage_object(live.take_outages()[-1])["note"] == "open at end of recording"


def test_the_account_of_a_silent_port_claims_nothing() -> None:
    (line,) = summary_lines(Follower([]).run(8.0))
    assert line == "Watched 8 s. No epoch was judged. No position was sent."
