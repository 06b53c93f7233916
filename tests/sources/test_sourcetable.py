from hypothesis import given
from hypothesis import strategies as st

from rtcmtool.sources.sourcetable import parse_sourcetable, split_record

# Fields and their order: the description of source-table records in NTRIP revision 1.
TABLE = (
    b"CAS;caster.example;2101;Example;A crew;0;DEU;50.12;8.69;0.0.0.0;0;none\r\n"
    b"NET;CREW;A crew;B;N;http://crew.example;none;crew@example.com;none\r\n"
    b'STR;MARSH;"Marsh; Lane";RTCM 3.3;1005(10),1077(1),1230(30);2;GPS+GLO+GAL;CREW;GBR;51.50;'
    b"-0.12;1;0;simulated;none;B;N;9600;SIMULATED; not real\r\n"
    b"ENDSOURCETABLE\r\n"
)


def test_a_source_table_is_read_field_by_field() -> None:
    table = parse_sourcetable(TABLE)
    (stream,) = table.streams
    assert stream.mountpoint == "MARSH"
    assert stream.identifier == "Marsh; Lane"
    assert stream.format == "RTCM 3.3"
    assert stream.messages == {"1005": 10.0, "1077": 1.0, "1230": 30.0}
    assert stream.systems == ("GPS", "GLO", "GAL")
    assert (stream.latitude_deg, stream.longitude_deg) == (51.5, -0.12)
    assert stream.needs_position
    assert not stream.is_network
    assert (stream.authentication, stream.has_fee, stream.bit_rate) == ("B", False, 9600)
    assert stream.misc == "SIMULATED;not real"
    (caster,) = table.casters
    assert (caster.host, caster.port, caster.fallback_host) == ("caster.example", 2101, "0.0.0.0")
    (network,) = table.networks
    assert (network.identifier, network.web_page) == ("CREW", "http://crew.example")
    assert table.is_complete
    assert table.other_lines == []


def test_a_table_that_is_cut_off_is_not_complete() -> None:
    table = parse_sourcetable(TABLE[:-20])
    assert not table.is_complete
    assert len(table.streams) == 1


def test_short_records_have_empty_fields_and_strange_lines_are_kept() -> None:
    table = parse_sourcetable("STR;Ä\r\nHELLO\r\nSTR;\r\n".encode("latin-1"))
    assert table.streams[0].mountpoint == "Ä"
    assert table.streams[0].bit_rate is None
    assert table.other_lines == ["HELLO", "STR;"]


def test_a_lone_quotation_mark_is_a_character_like_others() -> None:
    assert split_record('STR;12" pole;"open;x') == ["STR", '12" pole', '"open', "x"]


@given(st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=8)))
def test_quoted_fields_read_back_the_same(values: list[str]) -> None:
    line = ";".join(["NET", *('"' + value.replace('"', '""') + '"' for value in values)])
    assert split_record(line) == ["NET", *values]


@given(st.binary(max_size=200))
def test_any_bytes_are_read(content: bytes) -> None:
    parse_sourcetable(b"STR;" + content)
