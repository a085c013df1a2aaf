"""The chain of custody on the screen: a timeline for each roll and for the drive, the word on all of it last."""

from __future__ import annotations

from collections.abc import Iterator

from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, join, safe
from rollproof.cli.screen.lines import rule, stamp
from rollproof.cli.views import words
from rollproof.cli.views.custody_view import drive_lines, signed_words
from rollproof.cli.views.findings_view import finding_lines
from rollproof.models.custody_results import CustodyChain, CustodyLink, CustodyResult

_STATES = {
    "changed": "CHANGED",
    "swapped": "SWAPPED",
    "truncated": "CUT OFF",
    "unreadable": "UNREADABLE",
    "foreign": "FOREIGN",
    "newer": "NEEDS A NEWER VERSION",
    "duplicate": "TWICE",
}
_TOLD_BY_THE_LINKS = frozenset(("not-signed", "signer-unknown"))


def custody_lines(result: CustodyResult, *, quiet: bool = False, width: int = 80, fancy: bool = True) -> Iterator[Text]:
    """A timeline per chain, what is wrong, and the verdict. `quiet` leaves errors and the verdict."""
    if not quiet:
        if result.drive is not None:
            yield from drive_lines(result.drive)
        for chain in result.chains:
            yield from _chain_lines(chain)
    found = [*result.findings, *(finding for chain in result.chains for finding in chain.findings)]
    # that a record is not signed, or by whom, stands beside it already
    told = [finding for finding in found if finding.kind not in _TOLD_BY_THE_LINKS]
    lines = list(finding_lines(told, errors_only=quiet))
    yield from lines[1:] if quiet else lines
    if not quiet:
        if any(finding.kind == "signer-unknown" for finding in found):
            yield Text()
            yield Text("Who holds an unknown key, its station can say: ask for the fingerprint over the phone, then")
            yield Text("  rollproof custody trust KEYFILE --name NAME")
        yield rule(width, fancy=fancy)
    yield _verdict(result)


def _chain_lines(chain: CustodyChain) -> Iterator[Text]:
    yield Text()
    what = join("Roll ", safe(chain.roll or "")) if chain.of == "roll" else Text("Drive, handed over and received")
    of = join(", ", safe(chain.production)) if chain.production else ""
    word = Text("whole", GOOD) if chain.whole else Text("NOT WHOLE", BAD)
    yield join(Text.assemble(what, of, style=STRONG), "  ", word)
    yield join("  ", safe(chain.path, QUIET))
    for link in chain.links:
        yield from _link_lines(link)


def _link_lines(link: CustodyLink) -> Iterator[Text]:
    moment = (link.written_at or "unknown moment")[:16].replace("T", " ")
    who = link.by or link.role or "somebody"
    role = f" ({link.role})" if link.by and link.role else ""
    yield join(
        f"  {link.sequence:>4}  {moment}  ",
        Text(link.kind, STRONG),
        "  ",
        safe(link.what),
    )
    state = Text("whole", GOOD) if link.state == "whole" else Text(_STATES.get(link.state, "WRONG"), BAD)
    at = join(" at ", safe(link.station)) if link.station else ""
    yield join("        ", safe(f"{who}{role}", QUIET), at, "; ", state, ", ", signed_words(link.signature))


def _verdict(result: CustodyResult) -> Text:
    chains = words.counted(len(result.chains), "chain")
    links = [link for chain in result.chains for link in chain.links]
    records = words.counted(len(links), "record")
    if result.verdict == "whole":
        known = sum(link.signature is not None and link.signature.state == "good" for link in links)
        return join(stamp("WHOLE", GOOD), f"{chains}, {records}, {words.number(known)} signed with a known key.")
    if not result.chains:
        return join(stamp("NOT WHOLE", BAD), "there are no records there.")
    broken = sum(not chain.whole for chain in result.chains)
    return join(stamp("NOT WHOLE", BAD), f"something is wrong with {words.number(broken)} of {chains}.")
