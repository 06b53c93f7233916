"""The numbers of the windows as JSON, against what the stream was made of."""

import orjson
import pytest

from rtcmtool.monitor.live_state import LiveState
from rtcmtool.views.windows_json import windows_object
from tests.monitor.following import LATE_S, UTC_NS, Follower
from tests.streams import ARP_M, base_stream, data_of, without_epochs


@pytest.mark.slow
def test_every_number_is_that_of_the_stream() -> None:
    stream = without_epochs(base_stream(100), 50, 51)
    found = windows_object(Follower(stream).run(100.0))
    assert set(found["windows"]) == {"60", "600", "3600", "session"}
    session = found["windows"]["session"]
    assert session["bytes"] == len(data_of(stream))
    assert session["frames"] == len(stream)
    assert (session["epochs_due"], session["epochs_whole"]) == (100, 98)
    assert session["delay_s"] == pytest.approx(LATE_S, abs=0.01)
    assert session["messages"]["1074"]["count"] == 98
    assert session["messages"]["1074"]["longest_gap_s"] == pytest.approx(3.0)
    assert session["messages"]["1006"]["interval_s"] == pytest.approx(10.0, abs=1.5)
    assert found["windows"]["60"]["messages"]["1074"]["count"] <= 68
    gps = [each for each in found["signals"] if each["system"] == "G"]
    assert [(each["signal"], each["satellites"]) for each in gps] == [("1C", 9), ("2W", 9)]
    (station,) = found["stations"]
    assert station["positions"][0]["arp_ecef_m"] == list(ARP_M)


def test_what_is_not_known_is_null() -> None:
    found = windows_object(LiveState(UTC_NS, 0.0))
    window = found["windows"]["600"]
    assert window["delay_s"] is window["satellites_fewest"] is window["delay_95_s"] is None
    assert found["signals"] == found["stations"] == []
    assert orjson.loads(orjson.dumps(found)) == found
