import logging
from pathlib import Path

import pytest

from rtcmtool.errors import UsageError
from rtcmtool.sources.credentials import Credentials, Secret, find_credentials

BOTH = {"RTCMTOOL_NTRIP_USER": "env-user", "RTCMTOOL_NTRIP_PASSWORD": "env-word"}


def test_a_secret_does_not_show_itself() -> None:
    secret = Secret("hunter2")
    credentials = Credentials("me", secret)
    for shown in (repr(secret), str(secret), f"{secret}", repr(credentials), f"{[secret]}"):
        assert "hunter2" not in shown
        assert "***" in shown
    assert secret.reveal() == "hunter2"


def test_without_a_user_there_are_no_credentials() -> None:
    assert find_credentials(environment={}) is None


def test_the_environment_gives_both() -> None:
    assert find_credentials(environment=BOTH) == Credentials("env-user", Secret("env-word"))


def test_the_password_of_the_environment_is_not_used_for_another_user() -> None:
    found = find_credentials("me", environment=BOTH, ask=lambda question: "asked")
    assert found == Credentials("me", Secret("asked"))


def test_a_password_alone_in_the_environment_is_used() -> None:
    found = find_credentials("me", environment={"RTCMTOOL_NTRIP_PASSWORD": "word"})
    assert found == Credentials("me", Secret("word"))


def test_the_first_line_of_a_file_is_the_password(tmp_path: Path, caplog) -> None:
    path = tmp_path / "word"
    path.write_text("open sesame\nrest\n")
    path.chmod(0o644)
    with caplog.at_level(logging.WARNING):
        found = find_credentials("me", password_file=path, environment=BOTH)
    assert found == Credentials("me", Secret("open sesame"))
    assert "other users" in caplog.text
    assert "sesame" not in caplog.text


@pytest.mark.parametrize(
    ("user", "more"),
    [
        ("me", {}),
        ("me:word", {"ask": lambda question: "x"}),
        ("me", {"password_file": Path("does-not-exist")}),
        (None, {"password_file": Path("does-not-exist")}),
    ],
    ids=["no password", "a colon in the name", "no such file", "a file but no user"],
)
def test_what_cannot_be_credentials_is_told(user, more) -> None:
    with pytest.raises(UsageError) as caught:
        find_credentials(user, environment={}, **more)
    assert caught.value.do
    assert "word" not in str(caught.value).replace("password", "")


def test_an_empty_password_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "word"
    path.write_text("\n")
    with pytest.raises(UsageError, match="empty"):
        find_credentials("me", password_file=path, environment={})
