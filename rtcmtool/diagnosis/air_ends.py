"""Two ends of a radio path that were named the wrong way round."""

from rtcmtool.diagnosis.air_rules import RULE
from rtcmtool.diagnosis.finding import Finding, unknown
from rtcmtool.diagnosis.wording import seconds
from rtcmtool.monitor.air_loss import AirLoss


def mixed_up(air: AirLoss, near_name: str, far_name: str) -> Finding | None:
    """Find out that the other end has each frame before the base; None where that is not so.

    What the base sends cannot be heard before it is sent. Loss counted from the wrong end hides:
    all that came through is found at the base.

    Parameters
    ----------
    air : AirLoss
        Frames of both ends, matched.
    near_name, far_name : str
        Names of the base and of the other end, for people.
    """
    lead_s = air.lead_s
    if lead_s is None:
        return None
    text = f"each frame is at {far_name} {seconds(round(lead_s, 1))} before it is at {near_name}"
    values = {"sent": None, "heard": None, "lead_s": lead_s}
    action = f"name the base first: rtcmtool check {far_name} --heard {near_name}"
    return unknown(RULE, text, values=values, action=action)
