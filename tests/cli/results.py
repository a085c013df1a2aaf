"""Results as the workflows would give them, with one thing changed at a time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from cli.replay import Roll
from rollproof.models.errors import ExitStatus
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.results import OffloadResult, RollResult, VerifiedCopy, VerifyResult
from rollproof.station.context import Context


def a_roll(**changes: Any) -> RollResult:
    """A proven roll on three drives."""
    return Roll().result(236.0).model_copy(update=changes)


def an_offload(*rolls: RollResult, **changes: Any) -> OffloadResult:
    """The result over all of them."""
    chosen = list(rolls) or [a_roll()]
    proven = all(roll.verdict == "proven" for roll in chosen)
    result = OffloadResult(
        verdict="proven" if proven else "not proven", rolls=chosen, status=max(roll.status for roll in chosen)
    )
    return result.model_copy(update=changes)


def a_copy(**changes: Any) -> VerifiedCopy:
    """A copy that was found whole."""
    copy = VerifiedCopy(
        path="/mnt/backup/the-bell-foundry/2026-05-14/A003",
        roll="A003",
        verdict="proven",
        files=23,
        bytes=64_000_000_000,
        readback="medium",
        differ=[],
        missing=[],
        unknown=[],
    )
    return copy.model_copy(update=changes)


def a_verify(*copies: VerifiedCopy, **changes: Any) -> VerifyResult:
    """The result over all of them."""
    proven = all(copy.verdict == "proven" for copy in copies)
    result = VerifyResult(
        verdict="proven" if proven else "not proven",
        copies=list(copies),
        findings=[],
        seconds=12.0,
        status=ExitStatus.DONE if proven else ExitStatus.ANSWER_IS_NO,
    )
    return result.model_copy(update=changes)


def a_finding(severity: str = "error", kind: str = "unreadable", **changes: Any) -> Finding:
    """One finding."""
    base: dict[str, Any] = {"path": "CLIPS/A003C001.mov", "detail": "bytes 0 to 4095 could not be read"}
    return Finding(Kind(kind), Severity(severity), **{**base, **changes})


def gives(result: Any) -> Callable[..., Any]:
    """A workflow that does nothing but return this."""

    def workflow(_request: Any, _ctx: Context, **_seams: Any) -> Any:
        return result

    return workflow


def raises(error: BaseException) -> Callable[..., Any]:
    """A workflow that ends in this error."""

    def workflow(_request: Any, _ctx: Context, **_seams: Any) -> Any:
        raise error

    return workflow
