"""Messages about the base itself: position, antenna, receiver, biases, announcements, text."""

from collections.abc import Mapping
from typing import Any

from rtcmtool.gnss import time as gnss_time
from rtcmtool.simulation.faults import Fault
from rtcmtool.simulation.scenario import OBSERVATION_MESSAGES, Scenario
from rtcmtool.simulation.sent_position import SentPosition
from rtcmtool.wire.catalogue import LAYOUTS
from rtcmtool.wire.encoding import encode_values, frame_message

TEXT_NUMBER = 1029
TEXT_INTERVAL_S = 30.0
SIMULATED = "SIMULATED base, for training only. Never use these corrections for real work."

_NULL_ANTENNA = "ADVNULLANTENNA"  # name of the IGS antenna table, from memory
_WRONG_ANTENNA = "MILLPOND CR-11  DOME"
_SERVICES = {"gps": "G", "glonass": "R", "galileo": "E"}
_ALIGNED_ZERO = (0.0, 0.0, 0.0, 0.0)


def frame_of(number: int, values: Mapping[str, Any]) -> bytes:
    """Write values as a whole frame of one message."""
    return frame_message(encode_values(LAYOUTS[number], values))


def text_frame(station: int, gps_ms: int, text: str = SIMULATED) -> bytes:
    """Write a text message 1029.

    Parameters
    ----------
    station : int
        Number of the base.
    gps_ms : int
        When it is sent, GPS time, ms.
    text : str
        At most 127 characters.
    """
    mjd, utc_s = _mjd_and_seconds(gps_ms)
    values = {"station": station, "mjd": mjd, "utc_s": utc_s, "characters": len(text)}
    return frame_of(TEXT_NUMBER, {**values, "text": text})


def _mjd_and_seconds(gps_ms: int) -> tuple[int, int]:
    """Give modified Julian day and UTC second of day."""
    utc_ms = gps_ms - gnss_time.leap_seconds_at_gps(gps_ms) * gnss_time.MS_PER_SECOND
    day, ms_of_day = divmod(utc_ms, gnss_time.MS_PER_DAY)
    return gnss_time.MJD_OF_GPS_EPOCH + day, ms_of_day // gnss_time.MS_PER_SECOND


def station_frame(
    number: int,
    scenario: Scenario,
    active: Mapping[str, Fault],
    station: int,
    position: SentPosition,
    gps_ms: int,
) -> bytes:
    """Write one message about the base.

    Parameters
    ----------
    number : int
        1005, 1006, 1007, 1008, 1013, 1033 or 1230.
    scenario : Scenario
        Names, plan and biases.
    active : mapping
        Faults by kind.
    station : int
        Number of the base.
    position : SentPosition
        For 1005 and 1006.
    gps_ms : int
        When it is sent; it stands in 1013 only.
    """
    values: dict[str, Any] = {"station": station}
    match number:
        case 1005 | 1006:
            values |= _position_values(scenario, position)
        case 1007 | 1008 | 1033:
            values |= _equipment_values(scenario, active)
        case 1013:
            values |= _announcement_values(scenario, gps_ms)
        case 1230:
            values |= _bias_values(scenario, active)
    return frame_of(number, values)


def _position_values(scenario: Scenario, position: SentPosition) -> dict[str, Any]:
    x_m, y_m, z_m = position.arp_ecef_m.tolist()
    systems = scenario.stream.systems
    return {
        "itrf_year": 0,
        **{name: letter in systems for name, letter in _SERVICES.items()},
        "virtual_station": False,
        "x_m": x_m,
        "single_oscillator": True,
        "y_m": y_m,
        "quarter_cycle": 0,
        "z_m": z_m,
        "antenna_height_m": position.antenna_height_m,
    }


def _equipment_values(scenario: Scenario, active: Mapping[str, Fault]) -> dict[str, Any]:
    stream = scenario.stream
    antenna, serial = stream.antenna, stream.antenna_serial
    if "no-antenna-name" in active:
        antenna, serial = "", ""
    if "null-antenna" in active:
        antenna, serial = _NULL_ANTENNA, ""
    if "wrong-antenna" in active:
        antenna = _WRONG_ANTENNA
    return {
        "antenna_descriptor": antenna,
        "antenna_setup_id": 0,
        "antenna_serial": serial,
        "receiver_type": stream.receiver,
        "receiver_firmware": stream.firmware,
        "receiver_serial": stream.receiver_serial,
    }


def _bias_values(scenario: Scenario, active: Mapping[str, Fault]) -> dict[str, Any]:
    is_false = "false-bias" in active
    biases_m = _ALIGNED_ZERO if is_false else scenario.stream.glonass_biases_m
    names = ("bias_1c_m", "bias_1p_m", "bias_2c_m", "bias_2p_m")
    return {"aligned": is_false, **dict(zip(names, biases_m, strict=True))}


def _announcement_values(scenario: Scenario, gps_ms: int) -> dict[str, Any]:
    mjd, utc_s = _mjd_and_seconds(gps_ms)
    rows = [
        {"message": number, "synchronous": number in OBSERVATION_MESSAGES, "interval_s": interval_s}
        for number, interval_s in sorted(scenario.stream.messages.items())
    ]
    return {
        "mjd": mjd,
        "utc_s": utc_s,
        "leap_seconds": gnss_time.leap_seconds_at_gps(gps_ms),
        "announcements": rows[:31],  # five bits of counter
    }
