"""What the tests of the loops share.

The ways and cells of the live table, which are scripts, serve the tests in real time as well.
"""

import os

import pytest

import tests.scripts.conftest  # noqa: F401  # puts the scripts on the path


@pytest.fixture(autouse=True)
def no_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the disk write when it likes: the tests of the captures look at what is told to it."""
    monkeypatch.setattr(os, "fsync", lambda descriptor: None)
