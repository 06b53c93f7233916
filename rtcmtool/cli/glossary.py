"""`help WORD`: the words of the trade that the tool uses, in plain language."""

import difflib

from rtcmtool.errors import UsageError

WORDS: dict[str, str] = {
    "base": "the receiver that stands on the known point and sends corrections",
    "rover": "the receiver that moves and measures points with the base's corrections",
    "epoch": "one moment of measurement, usually each second",
    "message": "one kind of content, named by its number: 1006 is position and antenna height",
    "frame": "one packet on the wire, with one message and a check sum (CRC)",
    "damaged": "a frame whose check sum (CRC) fails: some of its bits changed on the way",
    "lost": "what was due and never came",
    "observations": "what the base measured to each satellite; MSM4 and MSM7 are a small and a "
    "large form",
    "gap": "any missed epoch",
    "outage": "a gap of at least 3 intervals and at least 5 s",
    "delay": "arrival here minus the time of the epoch",
    "age": "the delay at the rover: how old the corrections are when it uses them",
    "arp": "antenna reference point: the height level that 1005 and 1006 mean",
    "known mark": "the surveyed point under the base",
    "site sheet": "the file that says what the base should send",
    "fix": "centimetres: the whole wave counts are solved",
    "float": "decimetres: corrections are used, the whole wave counts are not solved",
    "no rtk": "corrections are not used at all",
    "slip": "the wave count to a satellite broke",
    "c/n0": "signal strength in dB-Hz: 45 is strong, 30 is weak",
    "air time": "share of each second in which the radio must transmit",
    "bad": "act now",
    "watch": "look when you can",
    "?": "not known; the reason stands beside it",
    "go": "a rover can fix with this",
    "no-go": "do not leave yet",
    "cannot tell": "something essential could not be seen",
}


def explain(word: str) -> str:
    """Give the meaning of a word.

    Raises
    ------
    UsageError
        If the word is not in the list; names the nearest.
    """
    key = word.lower()
    if key in WORDS:
        return f"{key}: {WORDS[key]}"
    near = difflib.get_close_matches(key, WORDS, 1)
    hint = f" Did you mean '{near[0]}'?" if near else ""
    known = ", ".join(WORDS)
    raise UsageError(f"there is no command or word '{word}'.{hint}", do=f"known words: {known}")
