"""Style names in one table: a word, and a colour that only repeats it.

Foreground and background are both set, so that the contrast holds whatever the terminal's theme is:
black on the vermilion, orange and sky blue of Okabe and Ito (Color Universal Design).
"""

from rich.theme import Theme

from rtcmtool.diagnosis.finding import State

THEME = Theme(
    {
        "state.bad": "bold black on #D55E00",
        "state.watch": "black on #E69F00",
        "state.unknown": "black on #56B4E9",
        "state.ok": "none",
        "state.not-applicable": "none",
        "verdict.go": "bold",
        "verdict.no-go": "bold black on #D55E00",
        "verdict.cannot-tell": "bold black on #56B4E9",
        "heading": "bold",
    }
)

# Without colour rich keeps bold and reverse, and drops backgrounds.
COLOURLESS_THEME = Theme(
    {
        name: "bold reverse" if "on #" in str(style) or style.bgcolor else style
        for name, style in THEME.styles.items()
        if "." in name and name.split(".")[0] in {"state", "verdict"}
    }
    | {"heading": "bold"}
)

STATE_WORDS = {
    State.BAD: "BAD",
    State.WATCH: "WATCH",
    State.UNKNOWN: "?",
    State.OK: "ok",
    State.NOT_APPLICABLE: "-",
}
VERDICT_WORDS = {"go": "GO", "no-go": "NO-GO", "cannot-tell": "CANNOT TELL"}
