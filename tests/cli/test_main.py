"""The way in: first screen, help, glossary, wrong use, suggestions, interruptions."""

import argparse
import importlib
from pathlib import Path
from types import ModuleType

import pytest

from rtcmtool import __version__
from rtcmtool.cli.glossary import WORDS
from rtcmtool.cli.main import COMMANDS, build_parser
from rtcmtool.diagnosis.rule_table import RULES
from rtcmtool.errors import UsageError
from tests.cli.conftest import Runner

NAMES = [command.name for command in COMMANDS]


def test_without_arguments_the_first_screen_is_shown(run: Runner) -> None:
    done = run()
    assert (done.code, done.err) == (0, "")
    assert done.lines[0].startswith("rtcmtool - does this RTK base send corrections")
    assert len(done.lines) <= 24
    assert max(map(len, done.lines)) <= 80


@pytest.mark.parametrize("option", ["-h", "--help"])
def test_the_first_page_of_help_fits_a_screen(run: Runner, option: str) -> None:
    done = run(option)
    assert (done.code, done.err) == (0, "")
    assert len(done.lines) <= 24
    assert max(map(len, done.lines)) <= 80
    assert "It only listens" in done.out
    for name in NAMES:
        assert f"  {name} " in done.out


def test_help_alone_is_the_same(run: Runner) -> None:
    assert run("help").out == run("-h").out


@pytest.mark.parametrize("name", NAMES)
def test_a_command_explains_itself(run: Runner, name: str) -> None:
    done = run(name, "-h")
    assert (done.code, done.err) == (0, "")
    assert max(map(len, done.lines)) <= 80
    assert done.out.count(f"rtcmtool {name}") >= 2  # usage and examples
    assert "130 interrupted" in done.out
    assert run("help", name).out == done.out


@pytest.mark.parametrize("option", ["-V", "--version"])
def test_the_version_is_told(run: Runner, option: str) -> None:
    assert run(option).out == f"rtcmtool {__version__}\n"


@pytest.mark.parametrize("word", [word for word in WORDS if word not in NAMES])
def test_a_word_of_the_trade_is_explained(run: Runner, word: str) -> None:
    done = run("help", *word.split())
    assert (done.code, done.out) == (0, f"{word}: {WORDS[word]}\n")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("epochs", "closed"), "epoch_closed: rule 'epochs closed'"),
        (("PDOP",), "pdop: how the satellites lie"),
        (("position_sent",), "position_sent: rule 'position message'"),
        (("busy", "channel"), "busy_channel: cause '"),
        (("NOT", "WATCHING"), "not watching: "),
        (("1006",), "1006: station position and antenna height"),
        (("9999",), "9999: "),
    ],
)
def test_rules_causes_and_message_numbers_are_explained_too(
    run: Runner, words: tuple[str, ...], told: str
) -> None:
    done = run("help", *words)
    assert done.code == 0
    assert done.out.startswith(told)


def test_every_rule_is_explained_as_it_is_printed(run: Runner) -> None:
    for rule in RULES.values():
        assert run("help", rule.printed).code == 0


@pytest.mark.parametrize("word", ["FLOAT", "Known Mark", "C/N0"])
def test_capital_letters_make_no_other_word(run: Runner, word: str) -> None:
    assert run("help", word).code == 0


def test_the_words_that_views_use_are_in_the_glossary() -> None:
    # The list of the design's glossary, and the states and verdicts.
    for word in (
        "base", "rover", "epoch", "message", "frame", "damaged", "lost", "observations", "gap",
        "outage", "delay", "age", "arp", "known mark", "site sheet", "fix", "float", "no rtk",
        "slip", "c/n0", "air time", "bad", "watch", "?", "go", "no-go", "cannot tell",
    ):  # fmt: skip
        assert word in WORDS


@pytest.mark.parametrize(
    ("given", "meant"), [("flaot", "float"), ("chek", None), ("no rtc", "no rtk"), ("xyzzy", None)]
)
def test_a_word_that_is_not_known_gets_the_nearest(
    run: Runner, given: str, meant: str | None
) -> None:
    done = run("help", given)
    assert (done.code, done.out) == (2, "")
    assert (f"Did you mean '{meant}'?" in done.err) is (meant is not None) or given == "chek"
    assert "known words: base, rover" in done.err


@pytest.mark.parametrize(
    ("given", "meant"),
    [("chek", "check"), ("decod", "decode"), ("inspekt", "inspect"), ("zzz", None), ("", None)],
)
def test_a_command_that_is_not_known_gets_the_nearest(
    run: Runner, given: str, meant: str | None
) -> None:
    done = run(given, "job.rtcm3")
    assert (done.code, done.out) == (2, "")
    first = done.err.splitlines()[0]
    hint = f" Did you mean '{meant}'?" if meant else ""
    assert first == f"rtcmtool: there is no command '{given}'.{hint}"
    assert "rtcmtool -h" in done.err


@pytest.mark.parametrize(
    ("arguments", "given", "meant"),
    [
        (("decode", "x", "--sumary"), "--sumary", "--summary"),
        (("decode", "x", "--feilds"), "--feilds", "--fields"),
        (("check", "x", "--radio-rat", "9600"), "--radio-rat", "--radio-rate"),
        (("check", "x", "--strikt=1"), "--strikt", "--strict"),
        (("inspect", "--hexx", "D3"), "--hexx", "--hex"),
    ],
)
def test_an_option_that_is_not_known_gets_the_nearest(
    run: Runner, arguments: tuple[str, ...], given: str, meant: str
) -> None:
    done = run(*arguments)
    assert (done.code, done.out) == (2, "")
    first = done.err.splitlines()[0]
    assert first == f"rtcmtool: there is no option '{given}'. Did you mean '{meant}'?"
    assert f"rtcmtool {arguments[0]} -h" in done.err


@pytest.mark.parametrize(
    "arguments",
    [
        ("decode", "x", "--summ"),
        ("check", "x", "--radio", "9600"),
        ("check", "x", "--str"),
        ("dec", "x"),
        ("--vers",),
        ("check", "x", "--out", "y"),
    ],
)
def test_nothing_can_be_abbreviated(run: Runner, arguments: tuple[str, ...]) -> None:
    assert run(*arguments).code == 2


@pytest.mark.parametrize(
    "arguments",
    [
        ("decode",),
        ("check",),
        ("check", "a", "b"),
        ("--json",),
        ("--json", "check", "x"),
        ("check", "x", "--at", "moon"),
        ("check", "x", "--radio-rate", "fast"),
        ("check", "x", "--radio-rate", "0"),
        ("check", "x", "--radio-rate", "inf"),
        ("check", "x", "--systems", "GPS,XYZ"),
        ("check", "x", "--date", "04.03.2026"),
        ("check", "x", "--date=--"),
        ("decode", "x", "--only", "1005,abc"),
        ("decode", "x", "--limit", "-1"),
        ("decode", "x", "--limit", "9" * 5000),
        ("decode", "x", "--color", "blue"),
        ("decode", "x", "--station"),
    ],
)
def test_wrong_use_ends_with_two_and_says_what_to_do(
    run: Runner, arguments: tuple[str, ...]
) -> None:
    done = run(*arguments)
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith("rtcmtool: ")
    assert "  do    " in done.err


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish", "tcsh", "powershell"])
def test_completion_is_written_for_each_shell(run: Runner, shell: str) -> None:
    done = run("--print-completion", shell)
    assert done.code == 0
    for name in (*NAMES, "summary", "radio-rate"):
        assert name in done.out


def test_an_interruption_ends_with_130(
    run: Runner, healthy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("rtcmtool.captures.reading.Capture.chunks", interrupted)
    for name in ("check", "decode", "inspect"):
        done = run(name, healthy)
        assert (done.code, done.out) == (130, "")


def test_every_option_of_every_command_has_a_help_text() -> None:
    parsers = [
        command
        for action in build_parser()._actions
        if isinstance(action, argparse._SubParsersAction)
        for command in action.choices.values()
    ]
    assert {parser.prog.split()[-1] for parser in parsers} == set(NAMES)
    for parser in parsers:
        assert parser.allow_abbrev is False
        silent = [a.option_strings for a in parser._actions if not a.help and not a.choices]
        assert not silent, parser.prog


def test_modules_of_commands_are_loaded_only_when_used(monkeypatch: pytest.MonkeyPatch) -> None:
    loaded: list[str] = []
    original = importlib.import_module

    def spy(name: str) -> ModuleType:
        loaded.append(name)
        return original(name)

    monkeypatch.setattr(importlib, "import_module", spy)
    build_parser("check")
    assert loaded == ["rtcmtool.cli.check"]


@pytest.mark.parametrize("name", [("NAME",), ()])
def test_a_name_may_stand_behind_the_options(name: tuple[str, ...]) -> None:
    parser = build_parser("record")
    options = parser.parse_args(["record", "COM5", "--also", "COM7", *name])
    assert (options.source, options.name) == ("COM5", name[0] if name else None)
    assert options.also == ["COM7"]
    with pytest.raises(UsageError, match="not understood: more"):
        parser.parse_args(["record", "COM5", "NAME", "--also", "COM7", "more"])
