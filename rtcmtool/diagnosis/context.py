"""What rules are shown: the state of a stream, and what the crew told."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from rtcmtool.diagnosis.earlier_captures import EarlierBase
from rtcmtool.diagnosis.finding import Rule
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.diagnosis.site_sheet import SiteSheet
from rtcmtool.gnss.ephemerides import Ephemeris
from rtcmtool.monitor.stream_state import StreamState

DEFAULT_OVERHEAD = 1.3  # air time of a radio over that of the bits: common practice 1.3 to 2
_REPEATED = 2.0  # a repeater on the same channel sends everything once more: common practice


@dataclass(frozen=True, slots=True)
class Context:
    """Everything a rule may look at.

    Attributes
    ----------
    state : StreamState
        The stream.
    live : bool
        Whether the stream still runs; a file is judged whole.
    silent_s : float or None
        Live: seconds since the last byte.
    clock_trusted : bool
        Whether the clock that stamped the arrivals is known to be right.
    clock_error_s : float or None
        How wrong that clock may be at most, where it is told.
    at : str
        Where we listen: "base", "rover" or "net". It changes advice, never a limit.
    radio_rate_bit_s : float or None
        Over-air rate of the radio.
    overhead : float
        Air time of the radio over that of the bits alone.
    systems : tuple of str
        RINEX letters that the rover uses; empty where not told.
    limits : mapping
        Changed limits: rule name, or rule name and "_bad"; they go before those of the sheet.
    sheet : SiteSheet or None
        What the crew wrote down of the site.
    earlier : tuple of EarlierBase
        What earlier captures say of their base.
    navigation : sequence of Ephemeris
        Records of a navigation file. A state that was made with them needs them here no more; one
        that was not solves the epochs that still wait.
    """

    state: StreamState
    live: bool = False
    silent_s: float | None = None
    clock_trusted: bool = False
    clock_error_s: float | None = None
    at: str = "base"
    radio_rate_bit_s: float | None = None
    overhead: float = DEFAULT_OVERHEAD
    systems: tuple[str, ...] = ()
    limits: Mapping[str, float] = field(default_factory=dict)
    sheet: SiteSheet | None = None
    earlier: tuple[EarlierBase, ...] = ()
    navigation: Sequence[Ephemeris] = ()

    @classmethod
    def for_site(
        cls,
        state: StreamState,
        sheet: SiteSheet | None,
        *,
        radio_rate_bit_s: float | None = None,
        overhead: float | None = None,
        systems: tuple[str, ...] = (),
        **more: Any,
    ) -> "Context":
        """Make a context in which options go before the sheet, and the sheet before defaults.

        Parameters
        ----------
        state : StreamState
            The stream.
        sheet : SiteSheet or None
            The site sheet.
        radio_rate_bit_s, overhead, systems
            As told in options; None or empty where not.
        **more
            Further attributes.
        """
        known = sheet or SiteSheet()
        radio = known.radio
        usual = DEFAULT_OVERHEAD if radio.overhead is None else radio.overhead
        usual *= _REPEATED if radio.repeater else 1.0
        return cls(
            state,
            radio_rate_bit_s=radio.rate_bit_s if radio_rate_bit_s is None else radio_rate_bit_s,
            overhead=usual if overhead is None else overhead,
            systems=systems or known.rover.systems,
            sheet=sheet,
            **more,
        )

    def rule(self, name: str) -> Rule:
        """Give a rule with the limits in force."""
        rule = RULES[name]
        limits = {**(self.sheet.limits if self.sheet else {}), **self.limits}
        ok, bad = limits.get(name), limits.get(f"{name}_bad")
        if ok is None and bad is None:
            return rule
        return replace(
            rule,
            ok=rule.ok if ok is None else ok,
            bad=rule.bad if bad is None else bad,
            basis=f"site sheet; {rule.basis}",
        )

    @property
    def seconds(self) -> float:
        """Seconds that were listened."""
        return self.state.clock.seconds

    @property
    def interval_s(self) -> float:
        """The stream's own epoch interval; 1 s while none is known."""
        epochs = self.state.epochs
        interval_ms = epochs.interval_ms if epochs else None
        return interval_ms / 1000 if interval_ms else 1.0
