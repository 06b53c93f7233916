"""Everything that speaks for or against a cause: streams, rover log, and what the crew answered."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from rtcmtool.diagnosis.base_rules import sent_position
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.evidence_link import LinkPattern
from rtcmtool.diagnosis.evidence_time import gaps_of, joint_of
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.geometry_rules import ageing_of
from rtcmtool.diagnosis.problem import CheckShot, Problem, ProblemKind, problem_of
from rtcmtool.diagnosis.regional_systems import out_of_view
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.diagnosis.verdict import Verdict, judge
from rtcmtool.gnss.geodesy import degrees_from_ecef, distance_m, ecef_from_geodetic
from rtcmtool.monitor.air_loss import AirLoss
from rtcmtool.monitor.rover_join import Joint
from rtcmtool.monitor.rover_log import Columns, RoverLog
from rtcmtool.monitor.rover_statistics import (
    AgeStatistics,
    FixLosses,
    RoverSky,
    ToldAccuracy,
    age_statistics,
    fix_losses,
    sky_of,
    time_to_fix_s,
    told_accuracy,
)
from rtcmtool.monitor.staleness import Ageing
from rtcmtool.wire.catalogue import OBSERVATION_NUMBERS

# Rules whose bad (or, for some, watch) means that a rover has a reason not to fix.
_FIT = (
    "observations_usable", "two_bands", "satellites_enough", "position_sent", "position_on_earth",
    "position_steady", "position_matches_code", "one_base", "glonass_bias", "epoch_closed",
    "half_cycles", "clock_jumps", "multipath", "ionosphere", "band_drop", "signal_strength",
    "lock_restart", "rover_can_use",
)  # fmt: skip
_WATCH_IS_UNFIT = ("multipath", "band_drop", "glonass_bias")
_OF_ALL_STATIONS = frozenset(
    {"one_base", "epochs_single", "frames_whole", "foreign_bytes", "bytes_arrive", "air_time"}
)
_OF_THE_WAY = frozenset({"one_base", "epochs_single", "foreign_bytes", "delay"})
MAKES_DIFFER_DB = 2.0
_STALE_S = 5.0  # older corrections make a new fix hard (computed on a real pair)
_OLD_FREE = 0.05  # share of missing updates that troubles no rover: judgement


@dataclass(frozen=True, slots=True)
class Answers:
    """What the crew answered; None where it was not asked or not known."""

    check_plan_m: float | None = None
    check_height_m: float | None = None
    all_rovers: bool | None = None
    fixes_at_50m: bool | None = None
    distance_km: float | None = None


@dataclass(frozen=True, eq=False)
class Evidence:
    """The evidence of one diagnosis.

    Attributes
    ----------
    stream : Context or None
        The stream that was given; None with a rover's log alone.
    own : Context or None
        The same stream as if our base alone were heard, where others are heard too.
    link : LinkPattern or None
        How that stream lost what it lost.
    heard_at : str or None
        Where it was heard, as told: "base", "rover", "net"; None where not told.
    far : Context or None
        The stream heard at the rover, where both ends are given; `stream` is the base's then.
    far_link : LinkPattern or None
        How that one lost.
    air : AirLoss or None
        Both ends, matched.
    log : RoverLog or None
        The rover's sentences.
    answers : Answers
    is_together : bool
        Whether stream and rover were heard live, at once: whatever their clocks say, they belong
        together.
    """

    stream: Context | None = None
    own: Context | None = None
    link: LinkPattern | None = None
    heard_at: str | None = None
    far: Context | None = None
    far_link: LinkPattern | None = None
    air: AirLoss | None = None
    log: RoverLog | None = None
    answers: Answers = field(default_factory=Answers)
    is_together: bool = False

    # ---- the stream

    @cached_property
    def verdict(self) -> Verdict | None:
        """All rules over the stream."""
        return judge(self.stream) if self.stream is not None else None

    @cached_property
    def findings(self) -> dict[str, Finding]:
        """Findings by rule; empty without a stream.

        Where several bases are heard, those about ours alone are asked of ours alone. Where both
        ends were heard, those about the way to the rover are asked of the rover's end.
        """
        found = {f.rule.name: f for f in self.verdict.findings} if self.verdict else {}
        if self.own is not None:
            own = judge(self.own).findings
            found |= {f.rule.name: f for f in own if f.rule.name not in _OF_ALL_STATIONS}
        if self.far is not None:
            far = judge(self.far).findings
            found |= {f.rule.name: f for f in far if f.rule.name in _OF_THE_WAY}
        return found

    @property
    def base(self) -> Context | None:
        """The stream of our base."""
        return self.stream if self.own is None else self.own

    @cached_property
    def ageing(self) -> Ageing | None:
        """How fast the base's corrections go stale; None where that was not measured."""
        return None if self.base is None else ageing_of(self.base)

    @property
    def stale_text(self) -> str:
        """Say from which age on fixing gets hard on this base, to stand behind an age."""
        ageing = self.ageing
        if ageing is None:
            return ""
        if ageing.hard_s is None:
            return f" (here fixing gets hard only beyond {ageing.oldest_s} s, measured)"
        return f" (here fixing gets hard after {max(round(ageing.hard_s), 1)} s, measured)"

    @cached_property
    def weak_signals(self) -> Finding | None:
        """Strengths that are clearly low: makes differ by 1 to 3 dB (common practice)."""
        finding = self.wrong("signal_strength")
        if finding is None or finding.value is None or finding.limit is None:
            return None
        is_low = finding.state is State.BAD or finding.value < finding.limit - MAKES_DIFFER_DB
        return finding if is_low else None

    def state(self, rule: str) -> State:
        """Give the state of a rule; unknown without a stream."""
        finding = self.findings.get(rule)
        return State.UNKNOWN if finding is None else finding.state

    def bad(self, rule: str) -> Finding | None:
        """Give the finding of a rule if it is bad."""
        finding = self.findings.get(rule)
        return finding if finding is not None and finding.state is State.BAD else None

    def wrong(self, rule: str) -> Finding | None:
        """Give the finding of a rule if it is bad or a watch."""
        finding = self.findings.get(rule)
        wrong = finding is not None and finding.state in {State.BAD, State.WATCH}
        return finding if wrong else None

    def stream_finding(self, rule: str) -> Finding | None:
        """Give a finding about the given stream itself, if it is bad or a watch."""
        found = self.verdict.findings if self.verdict is not None else ()
        wrong = {State.BAD, State.WATCH}
        return next((f for f in found if f.rule.name == rule and f.state in wrong), None)

    @property
    def sheet(self) -> SiteSheet:
        """The site sheet; an empty one where there is none."""
        known = self.stream.sheet if self.stream is not None else None
        return known or SiteSheet()

    @property
    def has_frames(self) -> bool:
        """Whether the stream holds any frame."""
        return self.stream is not None and self.stream.state.traffic.frames > 0

    @cached_property
    def is_fit(self) -> bool:
        """Whether the content of the stream gives a rover no reason not to fix."""
        if not self.has_frames:
            return False
        for rule in _FIT:
            if self.bad(rule) or (rule in _WATCH_IS_UNFIT and self.wrong(rule)):
                return False
        if self.weak_signals is not None or self.slipping is not None:
            return False
        return self.state("position_sent") in {State.OK, State.WATCH}

    @cached_property
    def slipping(self) -> Finding | None:
        """Slips that are too many beyond chance: a few in a short time say nothing."""
        finding = self.bad("slips")
        values = finding.values if finding is not None else None
        if finding is None or not values or finding.rule.bad is None:
            return None
        count, hours = float(values["slips"]), float(values["satellite_hours"])
        # Lower end of what a count may stand for, one-sided 95 % (Poisson, normal approximation).
        return finding if count - 1.65 * np.sqrt(count) > finding.rule.bad * hours else None

    # ---- the way to the rover

    @cached_property
    def rover_link(self) -> LinkPattern | None:
        """How the way to the rover lost; None where nothing was heard behind it.

        Where it was not told at which end the stream was heard, one that loses is taken for one
        behind the radio: at the base nothing is lost.
        """
        if self.far_link is not None:
            return self.far_link
        if self.heard_at in {"rover", "net"}:
            return self.link
        if self.heard_at is None and self.link is not None:
            lacks = self.link.loses or bool(self.missing_observations)
            return self.link if lacks or self._ages_agree else None
        return None

    @cached_property
    def missing_observations(self) -> tuple[int, ...]:
        """Planned observation messages that never came while other messages did."""
        if self.stream is None or not self.has_frames:
            return ()
        planned = set(self.sheet.messages.intervals_s or ()) & OBSERVATION_NUMBERS
        planned -= set(out_of_view(self.stream.state, planned))
        heard = set(self.stream.state.messages.by_number)
        missing = tuple(sorted(n for n in planned if n not in heard))
        if len(missing) == len(planned) and heard & OBSERVATION_NUMBERS:
            return ()  # other ones came: the plan is of another day
        return missing

    @property
    def may_be_lost(self) -> bool:
        """Whether planned observations that never came may have been lost on the way."""
        return bool(self.missing_observations) and self.heard_at != "base"

    @property
    def is_whole(self) -> bool:
        """Whether what is known of the stream, nearest to the rover, came whole."""
        link = self.rover_link or self.link
        return link is not None and link.due > 0 and not link.loses

    @property
    def _ages_agree(self) -> bool:
        """Whether the rover missed no more than a stream that lost nothing."""
        return (
            self.is_joined
            and self.ages is not None
            and self.ages.late_share < _OLD_FREE
            and self.ages.median_s < _STALE_S
        )

    @property
    def far_state(self) -> Context | None:
        """The context of the stream behind the radio."""
        if self.far is not None:
            return self.far
        return self.stream if self.heard_at in {"rover", "net"} else None

    # ---- the rover

    @cached_property
    def columns(self) -> Columns | None:
        """The rover's fixes."""
        return self.log.columns if self.log is not None and self.log.is_rover_log else None

    @cached_property
    def ages(self) -> AgeStatistics | None:
        """Ages of the corrections at the rover."""
        if self.columns is None:
            return None
        interval_s = self.stream.interval_s if self.has_frames and self.stream else None
        return age_statistics(self.columns, interval_s)

    @cached_property
    def time_to_fix_s(self) -> float | None:
        """From the first sentence to the first fix, s; None without one."""
        return None if self.columns is None else time_to_fix_s(self.columns)

    @cached_property
    def losses(self) -> FixLosses | None:
        """Losses of fix, against old corrections and against gaps of the stream."""
        if self.columns is None:
            return None
        gaps_ms = None
        if self.stream is not None and self.link is not None:
            gaps_ms = gaps_of(self.stream, self.link, self.joint)
        return fix_losses(self.columns, gaps_ms)

    @cached_property
    def accuracy(self) -> ToldAccuracy | None:
        """What the rover tells of its own accuracy (GST)."""
        return None if self.columns is None else told_accuracy(self.columns)

    @cached_property
    def sky(self) -> RoverSky | None:
        """The rover's sky."""
        if self.log is None or self.columns is None:
            return None
        return sky_of(self.log, self.columns)

    @cached_property
    def joint(self) -> Joint:
        """How the rover's log lies in time beside the stream."""
        log, columns = self.log, self.columns
        if log is None or columns is None or self.stream is None or self.link is None:
            return Joint("unknown")
        joint = joint_of(log, columns, self.base or self.stream, self.link, self.rover_ecef_m)
        return Joint("together") if self.is_together and joint.kind == "apart" else joint

    @property
    def is_joined(self) -> bool:
        """Whether log and stream are of the same time, as far as that is known."""
        return self.joint.kind != "apart"

    @cached_property
    def problem(self) -> Problem:
        """The rover's problem."""
        return problem_of(self.columns, self.check_shot, self.findings.get("position_matches_mark"))

    @property
    def is_troubled(self) -> bool:
        """Whether the rover is in float or has no RTK."""
        return self.problem.kind in {ProblemKind.FLOAT, ProblemKind.NO_RTK}

    @property
    def check_shot(self) -> CheckShot | None:
        """The check shot, as told."""
        plan_m, height_m = self.answers.check_plan_m, self.answers.check_height_m
        if plan_m is None or height_m is None:
            return None
        return CheckShot(plan_m, height_m, self.line_m or 0.0)

    @cached_property
    def uses_rtk(self) -> bool | None:
        """Whether the rover was ever fixed or in float; None without a log."""
        return None if self.columns is None else bool(np.isin(self.columns.quality, (4, 5)).any())

    @cached_property
    def never_used(self) -> bool:
        """Whether the rover's log shows no age and no station at all: nothing was used."""
        if self.log is None or self.columns is None:
            return False
        return not np.isfinite(self.columns.age_s).any() and not self.log.stations

    @property
    def is_fresh(self) -> bool:
        """Whether the corrections at the rover are told to be fresh and steady."""
        ages = self.ages
        return ages is not None and ages.median_s < _STALE_S and ages.late_share < 2 * _OLD_FREE

    # ---- distances

    @cached_property
    def rover_ecef_m(self) -> np.ndarray | None:
        """The rover's usual place, shape (3,); None where it is not told."""
        if self.columns is None:
            return None
        told = np.isfinite(self.columns.latitude_deg) & np.isfinite(self.columns.height_m)
        if not told.any():
            return None
        parts = (self.columns.latitude_deg, self.columns.longitude_deg, self.columns.height_m)
        latitude, longitude, height = (float(np.median(part[told])) for part in parts)
        return np.asarray(ecef_from_geodetic(np.radians(latitude), np.radians(longitude), height))

    @cached_property
    def measured_line_m(self) -> float | None:
        """Distance of the rover's place from the sent position, m."""
        sent = sent_position(self.base) if self.base is not None else None
        if sent is None or self.rover_ecef_m is None:
            return None
        return float(distance_m(np.array(sent.arp_ecef_m), self.rover_ecef_m))

    @property
    def line_m(self) -> float | None:
        """Length of the line: as told, else as measured, else as on the site sheet."""
        if self.answers.distance_km is not None:
            return 1000 * self.answers.distance_km
        if self.measured_line_m is not None and not self.bad("position_matches_code"):
            return self.measured_line_m
        sheet_km = self.sheet.rover.distance_km
        return None if sheet_km is None else 1000 * sheet_km

    @cached_property
    def height_difference_m(self) -> float | None:
        """The rover's height less the base's, m."""
        sent = sent_position(self.base) if self.base is not None else None
        if sent is None or self.rover_ecef_m is None or self.bad("position_matches_code"):
            return self.sheet.rover.height_difference_m
        return degrees_from_ecef(self.rover_ecef_m)[2] - degrees_from_ecef(sent.arp_ecef_m)[2]

    @cached_property
    def common_satellites(self) -> frozenset[str] | None:
        """Satellites of the base's latest epoch that the rover sees too; None if not known."""
        if self.base is None or self.sky is None or not self.sky.names:
            return None
        observed = observed_names(self.base)
        return observed & self.sky.names if observed else None


def observed_names(context: Context) -> frozenset[str]:
    """Give the satellites that the base sends, a chance loss of single messages apart."""
    fix = context.state.quality.fix
    often = (name for name, each in fix.sky.satellites.items() if 3 * each.seen >= each.expected)
    return frozenset(fix.observed) | frozenset(often)


def names(items: Iterable[object]) -> str:
    """Write a list for people."""
    return ", ".join(str(item) for item in items)
