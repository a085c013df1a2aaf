"""Who may ask the kernel which pages of a block device are cached, and what helps whoever may not.

A FUSE file system on a block device (exFAT, NTFS) is answered from the cache of the device node. That nothing of the
node is cached is told by `mincore`, and since Linux 5.2 only to the owner of the node and to those who may write to it:
for anybody else every page counts as cached. The right to read the node is therefore not enough.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from importlib.resources import files

from rollproof.models.errors import UsageProblem
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert
from rollproof.models.volumes import MediumWay, Volume

RULE_PATH = "/etc/udev/rules.d/70-rollproof.rules"
"""Behind the rules that recognise buses and file systems."""
INSTALL = (f"rollproof drives --rule | sudo tee {RULE_PATH}", "sudo udevadm control --reload")
"""What installs the rule, as that person types it, once on a computer."""


def may_see_cached_pages(node: str) -> bool:
    """Whether this process can show that nothing of a device node is cached. True where there is no such node."""
    try:
        found = os.stat(node)
        if not os.access(node, os.R_OK, effective_ids=True):
            return False
        me = os.geteuid()
        return me in (0, found.st_uid) or os.access(node, os.W_OK, effective_ids=True)
    except OSError:
        return True  # no such node: that is another trouble than a right that is lacking


def lacks_right(volume: Volume) -> bool:
    """Whether reads on this volume stay unshown only because this person does not own its device node."""
    through_node = volume.way is MediumWay.DEVICE_PAGES_DROPPED or volume.file_system == "fuseblk"
    return through_node and not volume.may_see_cached_pages


def right_findings(volumes: Sequence[tuple[str, Volume]]) -> list[Finding]:
    """One warning that names every (name, volume) whose reads stay unshown for lack of a right; none where there is
    none."""
    hit = {volume.source: name for name, volume in volumes if lacks_right(volume)}
    if not hit:
        return []
    nodes = " and ".join(f"{inert(node)} ({inert(name)})" for node, name in hit.items())
    detail = (
        f"{inert(this_person())} may not ask which parts of {nodes} are cached: what is read there now cannot be"
        " shown to come from the medium"
    )
    remedy = f"once on this computer: {' && '.join(INSTALL)}; then plug them in again and run the same command again"
    return [Finding(Kind.NO_RIGHT_TO_DEVICE, Severity.WARNING, "", detail, remedy=remedy, count=len(hit))]


def this_person() -> str:
    """The name of the user this process runs as, or the number."""
    import pwd  # noqa: PLC0415 - not there on Windows, where nobody asks

    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return f"user {os.geteuid()}"


def rule_for_this_person() -> str:
    """The udev rule for the user this process runs as. Raises UsageProblem for root, who needs none."""
    uid = os.geteuid()
    if uid == 0:
        raise UsageProblem(
            "the rule is for the person who copies, and root needs none",
            hint=f"run it as that person: {INSTALL[0]}",
        )
    person = "".join(letter if letter.isalnum() or letter in "-_. " else "?" for letter in this_person())
    text = files("rollproof.drives").joinpath("removable.rules").read_text(encoding="utf-8")
    return text.format(person=f"{person} ({uid})", uid=uid)
