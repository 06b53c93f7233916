"""Words of a diagnosis for people, and the lines they are put into."""

import textwrap

from rich.text import Text

from rtcmtool.diagnosis.causes import Cause, Confidence
from rtcmtool.diagnosis.problem import ProblemKind

NARROWEST = 20
_NARROW = 60
_LABEL = 11
PROBLEM_WORDS = {
    ProblemKind.NO_RTK: "NO RTK",
    ProblemKind.FLOAT: "FLOAT",
    ProblemKind.CHECK_FAILS: "FIXED, BUT CHECK FAILS",
    ProblemKind.FIXED: "FIXED",
    ProblemKind.NOT_KNOWN: "NOT KNOWN",
}
STYLES = {
    ProblemKind.NO_RTK: "verdict.no-go",
    ProblemKind.FLOAT: "verdict.no-go",
    ProblemKind.CHECK_FAILS: "verdict.no-go",
    ProblemKind.FIXED: "verdict.go",
    ProblemKind.NOT_KNOWN: "verdict.cannot-tell",
}
# What the problem means, and the first thing to do.
MEANINGS = {
    ProblemKind.NO_RTK: "Corrections are absent, unusable or without position: look at link and "
    "messages, not at the sky.",
    ProblemKind.FLOAT: 'This is not "no RTK": position and observations do reach the rover. First '
    "the 50 m test.",
    ProblemKind.CHECK_FAILS: "Stop storing points: look at position, height and antenna.",
    ProblemKind.FIXED: "",
    ProblemKind.NOT_KNOWN: "Give --rover, or answer in the field: do all rovers suffer "
    "(--all-rovers)? Does it fix at 50 m (--fixes-at-50m)?",
}
CONFIDENCE_WORDS = {
    Confidence.PROVEN: "PROVEN",
    Confidence.LIKELY: "LIKELY",
    Confidence.POSSIBLE: "POSSIBLE",
    Confidence.RULED_OUT: "ruled out",
    Confidence.NOT_TESTED: "not tested",
}
SHORT = {
    "no_link": "no link", "weak_path": "weak path", "busy_channel": "busy channel",
    "overloaded": "overload", "power_sag": "battery", "no_position": "no position message",
    "unusable_format": "format", "one_frequency": "one band only",
    "few_satellites": "few satellites", "rover_sky": "sky at the rover",
    "base_multipath": "reflections at the base", "interference": "interference",
    "antenna_cable": "antenna cable", "glonass_bias": "GLONASS bias",
    "base_far_wrong": "base far wrong", "base_slightly_wrong": "base slightly wrong",
    "antenna_height": "antenna height", "antenna_model": "antenna model",
    "two_bases": "two bases", "base_moved": "base moved", "long_baseline": "long line",
    "height_difference": "height difference", "ionosphere": "ionosphere",
    "base_receiver": "base receiver", "rover_settings": "rover settings",
    "wrong_time": "wrong time", "base_averaged": "averaged position",
}  # fmt: skip


class Page:
    """Lines of a width."""

    def __init__(self, width: int) -> None:
        self.width = width
        self.narrow = width < _NARROW
        self.lines: list[Text] = []

    def gap(self) -> None:
        """Add an empty line, unless there is one."""
        if self.lines and self.lines[-1].plain:
            self.lines.append(Text(""))

    def line(self, text: str, style: str = "") -> None:
        """Add a text, wrapped."""
        self.lines += [Text(part, style=style) for part in self.wrapped(text, "", "")]

    def labelled(self, label: str, text: str, indent: int = 0) -> None:
        """Add a text behind a label."""
        lead = " " * (0 if self.narrow else indent)
        if self.narrow:
            first, later = f"{label} ", "  "
        else:
            first = f"{lead}{label:<{_LABEL - len(lead)}} " if label else " " * (_LABEL + 1)
            later = " " * (_LABEL + 1)
        self.lines += [Text(part) for part in self.wrapped(text, first, later)]

    def wrapped(self, text: str, first: str, later: str) -> list[str]:
        """Wrap a text behind what begins its first line and the later ones."""
        return textwrap.wrap(
            text, self.width, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
        ) or [first.rstrip()]


def named(causes: tuple[Cause, ...], most: int | None = None) -> str:
    """Name causes in short words; of many the first ones and how many more there are."""
    shown = causes if most is None else causes[:most]
    more = f" and {len(causes) - len(shown)} more" if len(causes) > len(shown) else ""
    return ", ".join(SHORT[cause.name] for cause in shown) + more
