"""The rover beside the base: its sentences, its position for the caster, its clock for ours."""

from dataclasses import dataclass, field

from rtcmtool.gnss.time import iso_utc
from rtcmtool.monitor.rover_state import QUALITIES, RoverFix, RoverState
from rtcmtool.monitor.steady_clock import SteadyClock
from rtcmtool.running.feed import Bytes, Feed, FeedItem
from rtcmtool.running.rover_file import RoverFile
from rtcmtool.running.session import Session
from rtcmtool.sources import Position
from rtcmtool.sources.ntrip import NtripSource
from rtcmtool.sources.serial_port import SerialSource

EARLIEST_S, LATEST_S = -0.2, 1.0  # a local port tells the time so soon behind it: judgement
FIXES_TO_TRUST = 10
FIXES_TO_TELL = 3  # in a row of another quality, before that is told


@dataclass(slots=True)
class RoverEar:
    """Listens to the sentences of a rover.

    Parameters
    ----------
    feed : Feed
        Of the rover.
    tells_position : bool
        Whether its position goes to the caster of the corrections.
    file : RoverFile, optional
        Keeps what it says.

    Attributes
    ----------
    state : RoverState
        What it says.
    agreeing : int
        Fixes in a row whose time is that of this computer's clock.
    """

    feed: Feed
    tells_position: bool = False
    file: RoverFile | None = None
    state: RoverState = field(default_factory=RoverState)
    agreeing: int = 0
    _clock: SteadyClock | None = None
    _told: int | None = None  # the quality that was told last
    _others: list[RoverFix] = field(default_factory=list)  # in a row, of one other quality

    def take(self, item: FeedItem, session: Session, base: Feed) -> None:
        """Take an item of the rover's feed."""
        if not isinstance(item, Bytes) or not item.data:
            return
        if self.file is not None and self.file.write(item.data):
            session.live.note(f"the rover's log is not kept: {self.file.failure}", "rover")
        if self._clock is None:
            self._clock = SteadyClock(item.utc_ns, item.monotonic_s)
        now = self._clock.at(item.utc_ns, item.monotonic_s)
        for fix in self.state.feed(item.data, now):
            self._compare_clock(fix, session)
            self._tell_quality(fix, session)
            self._tell_position(fix, base)

    def _tell_quality(self, fix: RoverFix, session: Session) -> None:
        """Keep a change of the rover's quality in the events, with since when and how old."""
        if fix.quality is None or fix.quality == self._told:
            self._others.clear()
            return
        if self._others and self._others[0].quality != fix.quality:
            self._others.clear()
        self._others.append(fix)
        if len(self._others) < FIXES_TO_TELL:
            return
        first, before = self._others[0], self._told
        text = f"rover: {QUALITIES.get(fix.quality, 'of unknown quality')}"
        if before is not None:
            text += f", was {QUALITIES.get(before, 'of unknown quality')}"
        if first.utc_ns is not None:
            text += f", since {iso_utc(first.utc_ns, 0)[11:19]} UTC"
        if first.age_s is not None:
            text += f", corrections {first.age_s:g} s old"
        session.live.note(text, "rover")
        self._told = fix.quality
        self._others.clear()

    def _compare_clock(self, fix: RoverFix, session: Session) -> None:
        """Trust the computer's clock once satellite time on a local port agrees with it."""
        source = self.feed.source
        if fix.utc_ns is None or not isinstance(source, SerialSource) or "://" in source.text:
            return
        late_s = (fix.at.utc_ns - fix.utc_ns) / 1e9
        self.agreeing = self.agreeing + 1 if EARLIEST_S <= late_s <= LATEST_S else 0
        if self.agreeing == FIXES_TO_TRUST and not session.live.clock_trusted:
            session.live.clock_trusted = True
            session.live.note("the rover's time agrees with this computer's clock", "clock")

    def _tell_position(self, fix: RoverFix, base: Feed) -> None:
        source = base.source
        if not self.tells_position or not isinstance(source, NtripSource):
            return
        if fix.latitude_deg is not None and fix.longitude_deg is not None and fix.quality:
            height_m = fix.height_m or 0.0
            source.position = Position(fix.latitude_deg, fix.longitude_deg, height_m)
