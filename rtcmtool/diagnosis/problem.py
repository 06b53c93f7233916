"""Which problem the rover has: no RTK, float, fixed but wrong, fixed, or not known."""

from dataclasses import dataclass
from enum import Enum

from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.wording import seconds, share
from rtcmtool.monitor.rover_log import Columns
from rtcmtool.monitor.rover_statistics import Shares, interval_s, shares

FIXED_SHARE = 0.95  # of the time with sentences, the first start apart: contract of `diagnose`
FEWEST_FIXES = 20
CHECK_PLAN_M, CHECK_HEIGHT_M = 0.020, 0.030  # NGS classes RT2 and RT3, and 1 ppm of the line
_PPM = 1e-6
CHECK_LIMITS = (
    f"check shot off by {1000 * CHECK_PLAN_M:g} mm plan, {1000 * CHECK_HEIGHT_M:g} mm height, and "
    "1 mm a km"
)


class ProblemKind(Enum):
    """The kinds of problem."""

    NO_RTK = "no-rtk"
    FLOAT = "float"
    CHECK_FAILS = "fixed-but-check-fails"
    FIXED = "fixed"
    NOT_KNOWN = "not-known"


@dataclass(frozen=True, slots=True)
class CheckShot:
    """A check shot: measured minus known, m."""

    plan_m: float
    height_m: float
    line_m: float = 0.0

    @property
    def plan_fails(self) -> bool:
        """Whether it is off in plan by more than its limit."""
        return abs(self.plan_m) > CHECK_PLAN_M + _PPM * self.line_m

    @property
    def height_fails(self) -> bool:
        """Whether it is off in height by more than its limit."""
        return abs(self.height_m) > CHECK_HEIGHT_M + _PPM * self.line_m

    @property
    def fails(self) -> bool:
        """Whether it is off at all by more than its limit."""
        return self.plan_fails or self.height_fails

    @property
    def text(self) -> str:
        """The numbers for people."""
        return f"check shot {1000 * self.plan_m:.0f} mm plan, {1000 * self.height_m:+.0f} mm height"


@dataclass(frozen=True, slots=True)
class Problem:
    """The rover's problem.

    Attributes
    ----------
    kind : ProblemKind
    text : str
        The numbers, or the reason why it is not known.
    counted : Shares or None
        Fixes by state.
    """

    kind: ProblemKind
    text: str
    counted: Shares | None = None


def problem_of(
    columns: Columns | None, check_shot: CheckShot | None, mark: Finding | None
) -> Problem:
    """Tell which problem it is.

    Fixed is quality 4 for 95 % of the time with sentences or more, the first start apart; else the
    commonest other state is the problem. A fixed rover whose check shot is off by more than its
    limit, or whose base is not where the mark is, is fixed but wrong.

    Parameters
    ----------
    columns : Columns or None
        The rover's log; None without one.
    check_shot : CheckShot or None
        As told.
    mark : Finding or None
        Of the rule position_matches_mark.
    """
    failed = check_shot is not None and check_shot.fails
    if columns is None or len(columns) < FEWEST_FIXES:
        if failed:
            assert check_shot is not None
            return Problem(ProblemKind.CHECK_FAILS, f"{check_shot.text}; no rover log")
        why = "no rover log" if columns is None else f"only {len(columns)} fixes in the rover's log"
        return Problem(ProblemKind.NOT_KNOWN, why)
    counted = shares(columns)
    text = _shares_text(columns, counted)
    if counted.fixed >= FIXED_SHARE * counted.total:
        if failed:
            assert check_shot is not None
            return Problem(ProblemKind.CHECK_FAILS, f"{check_shot.text}; {text}", counted)
        if mark is not None and mark.state is State.BAD:
            return Problem(ProblemKind.CHECK_FAILS, f"base {mark.text}; {text}", counted)
        told = "check shot agrees" if check_shot is not None else "check shot not given"
        return Problem(ProblemKind.FIXED, f"{text}; {told}", counted)
    most = max(counted.floating, counted.no_rtk, counted.not_tracking)
    if most == counted.not_tracking:
        return Problem(ProblemKind.NOT_KNOWN, f"the rover tracks nothing; {text}", counted)
    kind = ProblemKind.FLOAT if most == counted.floating else ProblemKind.NO_RTK
    return Problem(kind, text, counted)


def _shares_text(columns: Columns, counted: Shares) -> str:
    """Give time and share of each state, the largest first."""
    step_s = interval_s(columns)
    parts = [
        ("in float", counted.floating),
        ("fixed", counted.fixed),
        ("no RTK", counted.no_rtk),
        ("no position", counted.not_tracking),
    ]
    told = [part for part in sorted(parts, key=lambda part: -part[1]) if part[1]]
    whole = seconds(round(counted.total * step_s))
    first, *rest = told
    text = f"{first[0]} {seconds(round(first[1] * step_s))} of {whole} "
    text += f"({share(first[1], counted.total)})"
    return ", ".join([text, *(f"{name} {seconds(round(n * step_s))}" for name, n in rest)])
