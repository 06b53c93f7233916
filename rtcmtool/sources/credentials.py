"""User and password: where they come from, and a wrapper that never shows them."""

import base64
import logging
import os
import re
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from rtcmtool.errors import UsageError

log = logging.getLogger(__name__)

USER_VARIABLE = "RTCMTOOL_NTRIP_USER"
PASSWORD_VARIABLE = "RTCMTOOL_NTRIP_PASSWORD"


class Secret:
    """A text that shows itself only on request.

    Examples
    --------
    >>> Secret("open sesame")
    ***
    """

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """Give the text itself: only for the wire."""
        return self._text

    def __repr__(self) -> str:
        return "***"

    __str__ = __repr__

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and self._text == other._text

    def __hash__(self) -> int:
        return hash(self._text)


@dataclass(frozen=True, slots=True)
class Credentials:
    """A user and a password: neither is ever shown."""

    user: str = field(repr=False)
    password: Secret

    def hide(self, text: str) -> str:
        """Blot out what a caster gives back of them, in clear or as they were sent.

        Examples
        --------
        >>> Credentials("crew", Secret("sesame")).hide("no: crew:sesame, Y3JldzpzZXNhbWU=")
        'no: ***, ***'
        """
        password = self.password.reveal()
        for secret in (f"{self.user}:{password}", self.encoded(), password):
            text = text.replace(secret, "***") if secret else text
        return re.sub(rf"(?<!\w){re.escape(self.user)}(?!\w)", "***", text)

    def encoded(self) -> str:
        """Give both in the form of Basic authentication (RFC 7617): only for the wire."""
        pair = f"{self.user}:{self.password.reveal()}"
        return base64.b64encode(pair.encode()).decode("ascii")


def find_credentials(
    user: str | None = None,
    *,
    password_file: Path | None = None,
    environment: Mapping[str, str] | None = None,
    ask: Callable[[str], str] | None = None,
) -> Credentials | None:
    """Find user and password: option and file first, then the environment, then a question.

    Parameters
    ----------
    user : str, optional
        Value of `--user`.
    password_file : Path, optional
        Value of `--password-file`: the first line is the password.
    environment : mapping, optional
        By default that of the process.
    ask : callable, optional
        Asks on the terminal without echo; gets the question. None where there is no terminal.

    Returns
    -------
    Credentials or None
        None where no user is named anywhere.

    Raises
    ------
    UsageError
        If there is a user but no password, or the file cannot be read.
    """
    environment = os.environ if environment is None else environment
    found_user = user or environment.get(USER_VARIABLE)
    if not found_user:
        if password_file is None:
            return None
        raise UsageError(
            "there is a password file, but no user.", do=f"add --user, or set {USER_VARIABLE}."
        )
    if ":" in found_user:
        raise UsageError(
            "the user name holds a colon.",
            why="a colon separates user and password on the wire, so a name cannot have one.",
            do="give the name alone; the password is asked for.",
        )
    if password_file is not None:
        return Credentials(found_user, _read_password(password_file))
    # A password of the environment belongs to the user of the environment, where one is named.
    if PASSWORD_VARIABLE in environment and environment.get(USER_VARIABLE, user) == found_user:
        return Credentials(found_user, Secret(environment[PASSWORD_VARIABLE]))
    if ask is not None:
        return Credentials(found_user, Secret(ask("Password for the caster: ")))
    raise UsageError(
        "a user is named, but there is no password.",
        why="it can be asked for only on a terminal.",
        do=f"use --password-file FILE, or set {PASSWORD_VARIABLE}.",
    )


def _read_password(path: Path) -> Secret:
    """Read the first line of a file."""
    try:
        text = path.read_text(encoding="utf-8")
        mode = path.stat().st_mode
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is no text"
        raise UsageError(
            f"the password file {path} cannot be read.",
            why=reason,
            do="put the password into the first line of a text file.",
        ) from error
    if os.name == "posix" and mode & (stat.S_IRGRP | stat.S_IROTH):
        log.warning("%s can be read by other users: chmod 600 %s", path, path)
    password = text.splitlines()[0] if text else ""
    if not password:
        raise UsageError(
            f"the password file {path} is empty.", do="put the password into its first line."
        )
    return Secret(password)
