"""Whose name stands in a permit or a handover: the one given, else the one a person at a terminal types."""

from __future__ import annotations

import io
import sys

import pytest

from cli.running import Stream
from rollproof.cli.options import name_of
from rollproof.cli.session import Session


class _Typed(io.StringIO):
    def __init__(self, text: str, *, terminal: bool) -> None:
        super().__init__(text)
        self._terminal = terminal

    def isatty(self) -> bool:
        return self._terminal


@pytest.mark.parametrize(
    ("by", "typed", "terminal", "name", "asks"),
    [
        ("", "Kim\n", True, "Kim", True),
        ("", "\n", True, "", True),
        ("", "", True, "", True),  # Ctrl-D
        ("Ada", "Kim\n", True, "Ada", False),
        ("", "Kim\n", False, "", False),
    ],
)
def test_only_a_person_at_a_terminal_who_gave_no_name_is_asked(
    by: str, typed: str, terminal: bool, name: str, asks: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen = Stream(terminal=terminal)
    monkeypatch.setattr(sys, "stdin", _Typed(typed, terminal=terminal))
    monkeypatch.setattr(sys, "stderr", screen)
    assert name_of(Session(), by, "permit") == name
    assert ("for the permit" in screen.getvalue()) is asks


def test_a_script_that_wants_json_is_never_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", _Typed("Kim\n", terminal=True))
    monkeypatch.setattr(sys, "stderr", Stream(terminal=True))
    session = Session()
    session.wants_json = True
    assert name_of(session, "", "permit") == ""
