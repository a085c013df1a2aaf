"""Every error a person can meet, with its exit status, a stable id and the next thing to do.

The table of exit statuses in the docs is generated from this module.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum
from typing import ClassVar

from rollproof.models.findings import Finding


class ExitStatus(IntEnum):
    """The exit statuses other people's scripts rely on."""

    DONE = 0
    ANSWER_IS_NO = 1
    USAGE = 2
    REFUSED = 3
    NOT_FINISHED = 4
    INTERRUPTED = 130

    @property
    def meaning(self) -> str:
        """One sentence for the docs."""
        return _MEANINGS[self]


_MEANINGS = {
    ExitStatus.DONE: "everything asked for is proven; for `may-wipe`: MAY WIPE",
    ExitStatus.ANSWER_IS_NO: (
        "finished, and the answer is no: something differs, is missing, damaged, or copied but not proven;"
        " for `may-wipe`: KEEP"
    ),
    ExitStatus.USAGE: "wrong usage, or a production file that does not validate",
    ExitStatus.REFUSED: "refused before anything was written: preflight found problems (all are listed)",
    ExitStatus.NOT_FINISHED: (
        "could not finish: a device failed, a drive filled up or went away (what is safe is listed)"
    ),
    ExitStatus.INTERRUPTED: "interrupted; rerun the same command to go on",
}


class RollproofError(Exception):
    """Base of all errors that end a command. `message` says what happened; `hint` what to do next."""

    status: ClassVar[ExitStatus] = ExitStatus.NOT_FINISHED
    id: ClassVar[str] = "failure"

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class UsageProblem(RollproofError):
    """The command line asks for something that makes no sense."""

    status = ExitStatus.USAGE
    id = "usage"


class ProductionFileProblem(RollproofError):
    """The production file cannot be read or does not validate."""

    status = ExitStatus.USAGE
    id = "production-file"


class Refused(RollproofError):
    """Preflight found problems; nothing was written. `findings` holds all of them."""

    status = ExitStatus.REFUSED
    id = "refused"

    def __init__(self, message: str, findings: Sequence[Finding], *, hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.findings = tuple(findings)


class StationKeyProblem(RollproofError):
    """The key this station signs with is missing, unreadable, open to others, or no key. Records are then written
    without a signature."""

    status = ExitStatus.REFUSED
    id = "station-key"


class CouldNotFinish(RollproofError):
    """A device failed, filled up, went away or hangs, and the whole job cannot go on. `findings` say which."""

    status = ExitStatus.NOT_FINISHED
    id = "not-finished"

    def __init__(self, message: str, *, hint: str = "", findings: Sequence[Finding] = ()) -> None:
        super().__init__(message, hint=hint)
        self.findings = tuple(findings)


class Interrupted(RollproofError):
    """The person pressed Ctrl-C, or the process was asked to end."""

    status = ExitStatus.INTERRUPTED
    id = "interrupted"


class UntrustedInput(RollproofError):
    """A manifest, record or name from a drive breaks its format. Workflows turn it into a finding."""

    status = ExitStatus.ANSWER_IS_NO
    id = "bad-input"


class FileFault(Exception):
    """One file could not be read, written or proven; the rest of the work goes on.

    `finding` says what happened to which file.
    """

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.detail)
        self.finding = finding


class DriveFault(Exception):
    """One drive failed, filled up, vanished or hangs; the other drives go on."""

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.detail)
        self.finding = finding
