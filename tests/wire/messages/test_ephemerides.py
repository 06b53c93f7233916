"""Sizes from memory of RTCM 10403.x; values against navigation records of the same hour."""

import pytest

from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.framing import FrameScanner
from rtcmtool.wire.layout import Kind, Role
from rtcmtool.wire.messages.ephemerides import sisa_m, ura_m
from rtcmtool.wire.records import read_record, value_of, values_of
from tests.wire.messages.parts import bits_of

BITS = {1019: 488, 1020: 360, 1041: 482, 1042: 511, 1044: 485, 1045: 496, 1046: 504}
FIELDS = {number: {field.name: field for field in LAYOUTS[number].head} for number in BITS}

# Order of RINEX 3.04 navigation records, behind the epoch.
ORBIT = (
    "crs_m delta_n_rad_s m0_rad cuc_rad eccentricity cus_rad sqrt_a_sqrt_m toe_s cic_rad"
    " omega0_rad cis_rad i0_rad crc_m omega_rad omega_dot_rad_s idot_rad_s"
)
CLOCK = "af0_s af1_s_s af2_s_s2"
RINEX_GPS = f"{CLOCK} iode {ORBIT} code_on_l2 - l2p_data_flag accuracy_m health tgd_s iodc".split()
RINEX_GALILEO = f"{CLOCK} iodnav {ORBIT} source - - accuracy_m - bgd_e5a_e1_s bgd_e5b_e1_s".split()
I_NAV = 517  # data source of RINEX records from the I/NAV message


@pytest.mark.parametrize("number", BITS)
def test_the_size_is_that_of_the_standard(number):
    assert bits_of(LAYOUTS[number]) == BITS[number]


@pytest.mark.parametrize("number", BITS)
def test_the_satellite_stands_at_the_top(number):
    assert FIELDS[number]["satellite"].role is Role.HEAD


@pytest.mark.parametrize(
    ("number", "raw", "name"),
    [(1019, 5, "G05"), (1020, 24, "R24"), (1041, 4, "I04"), (1042, 23, "C23"), (1044, 2, "J02"),
     (1045, 11, "E11"), (1046, 36, "E36"), (1019, 40, "S20"), (1019, 58, "S38")],
)  # fmt: skip
def test_satellites_have_rinex_names(number, raw, name):
    assert value_of(FIELDS[number]["satellite"], raw) == name


def test_an_unknown_glonass_slot_is_not_available():
    assert value_of(FIELDS[1020]["satellite"], 0) is None


def test_the_same_quantity_has_the_same_name():
    keplerian = {*ORBIT.split(), *CLOCK.split(), "week", "toc_s"}
    for number in set(BITS) - {1020}:
        assert keplerian <= set(FIELDS[number]), number


def test_all_signed_values_of_glonass_are_sign_and_magnitude():
    kinds = {field.kind for field in FIELDS[1020].values()}
    assert kinds == {Kind.UNSIGNED, Kind.SIGN_MAGNITUDE}


def test_glonass_states_are_in_metres():
    # 2^-11 km, 2^-20 km/s and 2^-30 km/s2 are the steps of the GLONASS ICD, table 4.5.
    fields = FIELDS[1020]
    assert value_of(fields["x_m"], 2048 * 7000) == 7_000_000
    assert value_of(fields["vy_m_s"], -(3 << 20)) == -3000
    assert value_of(fields["az_m_s2"], 1) == 1000 / 2**30


def test_glonass_channels_and_times_are_decoded():
    fields = FIELDS[1020]
    assert [value_of(fields["frequency_channel"], raw) for raw in (0, 7, 13)] == [-7, 0, 6]
    # 23 h 59 min 30 s
    assert value_of(fields["tk_s"], 23 << 7 | 59 << 1 | 1) == 86370
    assert value_of(fields["tb_s"], 95) == 95 * 900


def test_the_group_delay_of_qzss_can_be_absent():
    assert value_of(FIELDS[1044]["tgd_s"], -128) is None
    assert value_of(FIELDS[1019]["tgd_s"], -128) == -128 / 2**31


def test_gps_accuracy_follows_the_rule_of_the_interface_document():
    # IS-GPS-200, 20.3.3.3.1.3: 2^(1 + N/2) up to 6, 2^(N - 2) above; 1, 3, 5 rounded to a decimal.
    assert [ura_m(n) for n in range(7)] == [round(2 ** (1 + n / 2), 1) for n in range(7)]
    assert [ura_m(n) for n in range(7, 15)] == [2 ** (n - 2) for n in range(7, 15)]
    assert ura_m(15) is None


def test_galileo_accuracy_has_four_steps_without_a_jump():
    # Galileo OS SIS ICD, signal-in-space accuracy: 0, 0.5, 1, 2 and 6 m at the corners.
    assert [sisa_m(n) for n in (0, 50, 75, 100, 125)] == [0.0, 0.5, 1.0, 2.0, 6.0]
    assert sisa_m(126) is sisa_m(254) is sisa_m(255) is None


def test_accuracy_stands_beside_its_index():
    # A message of zeros: its number does not matter to the layout.
    for number, index in ((1019, "ura_index"), (1042, "ura_index"), (1046, "sisa_index")):
        layout = LAYOUTS[number]
        names = list(values_of(layout, read_record(layout, bytes(70))))
        assert names[names.index(index) + 1] == "accuracy_m"


def _truth(open_data):
    """Give the records of the navigation file by satellite and issue of data."""
    lines = (open_data / "ephemerides-truth.rnx").read_text().splitlines()
    body = lines[next(i for i, line in enumerate(lines) if "END OF HEADER" in line) + 1 :]
    records = []
    for first in range(0, len(body), 8):
        texts = [body[first][23:].ljust(57)] + [
            line[4:].ljust(76) for line in body[first + 1 : first + 7]
        ]
        numbers = [
            float((text[at : at + 19].strip() or "nan").replace("D", "E"))
            for text in texts
            for at in range(0, len(text) - 18, 19)
        ]
        system = body[first][0]
        names = RINEX_GPS if system == "G" else RINEX_GALILEO
        record = dict(zip(names, numbers, strict=True))
        hours, minutes, seconds = (int(part) for part in body[first][15:23].split())
        day_s = hours * 3600 + minutes * 60 + seconds
        records.append((body[first][:3], day_s, record))
    return records


@pytest.mark.slow
@pytest.mark.open_data
def test_recorded_ephemerides_agree_with_navigation_records(open_data):
    truth = {}
    for satellite, day_s, record in _truth(open_data):
        if satellite[0] == "G" or record["source"] == I_NAV:
            issue = record["iode" if satellite[0] == "G" else "iodnav"]
            truth[satellite, day_s, int(issue)] = record
    data = (open_data / "ephemerides-ssr.rtcm3").read_bytes()
    matched = set()
    for frame in FrameScanner().feed(data).frames():
        if frame.number not in {1019, 1046}:
            continue
        layout = LAYOUTS[frame.number]
        raw = read_record(layout, frame.message)
        values = values_of(layout, raw)
        satellite = value_of(FIELDS[frame.number]["satellite"], raw["satellite"])
        key = (satellite, values["toc_s"] % 86400, raw.get("iode", raw.get("iodnav")))
        if key not in truth or key in matched:
            continue
        matched.add(key)
        for name, value in truth[key].items():
            if name not in {"-", "source"}:  # printed with twelve decimals behind the point
                assert values[name] == pytest.approx(value, rel=5.1e-12, abs=1e-24), (key, name)
    # As counted when the recordings were first read: 11 GPS and 19 Galileo I/NAV records.
    assert sum(key[0][0] == "G" for key in matched) == 11
    assert sum(key[0][0] == "E" for key in matched) == 19
