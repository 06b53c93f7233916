"""The example is that of RTCM 10403.x, from memory."""

from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.records import read_record, values_of
from tests.wire.messages.parts import bits_of

EXAMPLE_1029 = bytes.fromhex(
    "40501700 84736E15 1E555446 2D3820D0 BFD180D0 BED0B2D0 B5D180D0 BAD0B020 77C3B672 746572"
)


def test_a_text_adds_eight_bits_a_byte():
    assert bits_of(LAYOUTS[1029]) == 72
    assert bits_of(LAYOUTS[1029], text_bytes=255) == 72 + 8 * 255


def test_the_example_of_the_standard_gives_its_text():
    record = read_record(LAYOUTS[1029], EXAMPLE_1029)
    assert record["station"] == 23
    assert record["text_bytes"] == 30
    assert values_of(LAYOUTS[1029], record) == {
        "mjd": 132,
        "utc_s": 59100,
        "characters": 21,
        "text": "UTF-8 проверка wörter",
    }
