"""Several sessions in one loop, each with a feed of its own."""

from collections.abc import Callable, Mapping

from rtcmtool.running.feed import Ended, Feed, FeedQueue
from rtcmtool.running.session import Session


def run_all(
    sessions: Mapping[Feed, Session],
    out: FeedQueue,
    until: Callable[[], bool] = lambda: False,
) -> None:
    """Work until all feeds have ended, or `until` says so; each session is closed at its end.

    A source that could not be opened in the first place ends all: somebody stands beside it and
    can put it right. One that was lost later leaves the others alone.

    Parameters
    ----------
    sessions : mapping of Feed to Session
        The feeds write to `out`; they are started here.
    out : queue
        What they give.
    until : callable
        Asked after each item.
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
        failed = isinstance(item, Ended) and item.error is not None and not session.was_open
        if not is_stopping and (failed or until()):
            is_stopping = True
            for other in running:
                other.stop()
