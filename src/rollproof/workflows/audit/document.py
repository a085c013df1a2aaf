"""Where the document of an audit goes: one file, a page for people or JSON for scripts, never over another file."""

from __future__ import annotations

import os

from rollproof.models.audit_results import AuditFinding, AuditResult
from rollproof.models.errors import ExitStatus, UsageProblem
from rollproof.models.findings import Kind, error
from rollproof.models.names import shown
from rollproof.storage.errors import said
from rollproof.storage.files import write_new
from rollproof.storage.system import system_io

_SUFFIXES = (b".html", b".htm", b".json")


def check_document(wanted: bytes | None) -> None:
    """UsageProblem when the document cannot go where it is wanted. Said before anything else is done."""
    if wanted is None:
        return
    if not wanted.lower().endswith(_SUFFIXES):
        raise UsageProblem(
            f"{shown(wanted)} says neither .html nor .json", hint="name the document with one of the two: --out FILE"
        )
    if os.path.lexists(wanted):
        raise UsageProblem(
            f"{shown(wanted)} is there already and is left as it is", hint="name another file: --out FILE"
        )
    if not os.path.isdir(os.path.dirname(wanted) or b"."):
        raise UsageProblem(f"there is no folder for {shown(wanted)}", hint="make the folder, or name another")


def write_document(wanted: bytes, result: AuditResult) -> AuditResult:
    """Write the document; the result again, with a warning and without the document where that failed."""
    try:
        if wanted.lower().endswith(b".json"):
            text = result.model_dump_json(indent=2) + "\n"
        else:
            from rollproof.reports.audit_page import audit_html  # noqa: PLC0415 - heavy, and only for this

            text = audit_html(result)
        io = system_io()
        handle = io.open_root(os.path.dirname(wanted) or b".")
        try:
            write_new(io, handle, os.path.basename(wanted), [text.encode("utf-8")])
        finally:
            io.close(handle)
    except OSError as failure:
        finding = error(
            Kind.SHEET_NOT_WRITTEN,
            f"the document {shown(wanted)} could not be written ({said(failure)}); the answer on the screen stands",
            path=shown(wanted),
            remedy="audit again with another --out FILE",
        )
        told = AuditFinding.of(finding, "copies")
        status = result.status if result.status is not ExitStatus.DONE else ExitStatus.NOT_FINISHED
        return result.model_copy(update={"document": None, "findings": [told, *result.findings], "status": status})
    return result
