"""The rules asked about a stream that runs: what is wrong becomes an event."""

from rtcmtool.captures.companions import Event
from rtcmtool.diagnosis.context import Context
from rtcmtool.diagnosis.live_verdict import LiveJudge, conditions
from rtcmtool.diagnosis.verdict import Verdict
from rtcmtool.monitor.live_state import LiveState
from rtcmtool.monitor.outage_kinds import Kind, OutageChange
from rtcmtool.monitor.steady_clock import NS_PER_S
from rtcmtool.running.session import Session


class Judging:
    """A listener that judges a session and reports what is wrong to its events.

    Parameters
    ----------
    context : Context
        What the crew told; its state is replaced.
    every_s : float
        As of the attribute.

    Attributes
    ----------
    every_s : float
        So often it judges, and whenever something begins or ceases to come.
    verdict : Verdict or None
        The latest.
    """

    def __init__(self, context: Context, every_s: float = 1.0) -> None:
        self.verdict: Verdict | None = None
        self.every_s = every_s
        self._context = context
        self._judge = LiveJudge(context)
        self._live: LiveState | None = None
        self._judged_ns: int | None = None
        self._phase: tuple[Kind | None, Kind | None, bool] | None = None

    def on_tick(self, session: Session) -> None:
        """Judge, if it is time."""
        live = session.live
        if live is not self._live:  # a replay has gone elsewhere
            self._live, self._judged_ns = live, None
            self._judge = LiveJudge(self._context)
        now_ns = live.now.steady_ns
        phase = (live.lacking, live.outages.open_kind, live.blind is None)
        is_due = self._judged_ns is None or now_ns - self._judged_ns >= self.every_s * NS_PER_S
        if not is_due and phase == self._phase:
            return
        self._phase, self._judged_ns = phase, now_ns
        self.verdict = self._judge.judge(live)
        live.report(conditions(self.verdict))

    def on_event(self, session: Session, event: Event) -> None:
        """Do nothing: events are this listener's own product."""

    def on_outage(self, session: Session, change: OutageChange) -> None:
        """Do nothing: outages are not judged by rules."""
