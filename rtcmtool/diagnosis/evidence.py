"""Everything that speaks for or against a cause: streams, rover log, and what the crew answered."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from rtcmtool.diagnosis.base_rules import sent_position
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.evidence_link import LinkPattern
from rtcmtool.diagnosis.evidence_stream import StreamEvidence
from rtcmtool.diagnosis.evidence_time import gaps_of, joint_of
from rtcmtool.diagnosis.problem import CheckShot, Problem, ProblemKind, problem_of
from rtcmtool.gnss.geodesy import degrees_from_ecef, distance_m, ecef_from_geodetic
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

_SOON_S = 5.0  # what a link in order delays at most: EPN real-time latency
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
class Evidence(StreamEvidence):
    """The evidence of one diagnosis: streams, log and answers.

    Attributes
    ----------
    log : RoverLog or None
        The rover's sentences.
    answers : Answers
    is_together : bool
        Whether stream and rover were heard live, at once: whatever their clocks say, they belong
        together.
    """

    log: RoverLog | None = None
    answers: Answers = field(default_factory=Answers)
    is_together: bool = False

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
            and self.ages.median_s < _SOON_S
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
        """Whether the corrections at the rover are told to be steady, and fresh for this base."""
        ages = self.ages
        return ages is not None and ages.median_s < self.stale_s and ages.late_share < 2 * _OLD_FREE

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
