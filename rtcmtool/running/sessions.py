"""Several sessions in one loop, each with a feed of its own."""

from collections.abc import Callable, Mapping

from rtcmtool.running.feed import Ended, Feed, FeedQueue
from rtcmtool.running.session import Session


def run_all(
    sessions: Mapping[Feed, Session],
    out: FeedQueue,
    until: Callable[[], bool] = lambda: False,
    tell_failed: Callable[[Feed, Exception], None] = lambda feed, error: None,
) -> None:
    """Work until all feeds have ended, or `until` says so; each session is closed at its end.

    A source that fails leaves the others alone: what they hear comes only once.

    Parameters
    ----------
    sessions : mapping of Feed to Session
        The feeds write to `out`; they are started here.
    out : queue
        What they give.
    until : callable
        Asked after each item.
    tell_failed : callable
        Called when a feed ends with an error while others go on.
    """
    for feed, session in sessions.items():
        session.attach(feed)
        feed.start()
    running = set(sessions)
    is_stopping = False
    while running:
        feed, item = out.get()
        session = sessions[feed]
        session.take(item)
        if isinstance(item, Ended):
            running.discard(feed)
            feed.join()
            session.close()
            if item.error is not None and running:
                tell_failed(feed, item.error)
        if not is_stopping and until():
            is_stopping = True
            for other in running:
                other.stop()
