"""What the given streams say: every rule over them, and whether a rover could fix on them."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.evidence_link import LinkPattern
from rtcmtool.diagnosis.finding import Finding, State
from rtcmtool.diagnosis.geometry_rules import ageing_of
from rtcmtool.diagnosis.regional_systems import out_of_view
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.diagnosis.verdict import Verdict, judge
from rtcmtool.monitor.air_loss import AirLoss
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
# Where it was not measured. Fixes of a real pair 5 km apart, computed with corrections of each age:
# at 2 s nearly all single epochs fixed right, at 5 s six of ten, at 10 s one of a hundred.
STALE_S = 5.0


@dataclass(frozen=True, eq=False)
class StreamEvidence:
    """The streams of one diagnosis.

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
    """

    stream: Context | None = None
    own: Context | None = None
    link: LinkPattern | None = None
    heard_at: str | None = None
    far: Context | None = None
    far_link: LinkPattern | None = None
    air: AirLoss | None = None

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
    def stale_s(self) -> float:
        """Age from which on corrections make a new fix hard, s: as measured, else as assumed."""
        ageing = self.ageing
        if ageing is None:
            return STALE_S
        return ageing.hard_s if ageing.hard_s is not None else max(ageing.oldest_s, STALE_S)

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
