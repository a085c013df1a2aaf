"""Records and manifests compared: a table of what lies there and what is said of it."""

from __future__ import annotations

import pytest

from rollproof.proof.histories import FoundManifest, NamedManifest, RecordFact, compare_histories, lost_records

FIRST = NamedManifest("0001_offload.json", "0001.mhl", 1, "c4one")
SECOND = NamedManifest("0002_verify.json", "0002.mhl", 2, "c4two")
ONE, TWO = FoundManifest("0001.mhl", "c4one", "in the chain"), FoundManifest("0002.mhl", "c4two", "in the chain")
STRANGER = FoundManifest("0003.mhl", "c4three", "in the chain")

Row = tuple[str, list[NamedManifest], list[FoundManifest], list[tuple[str, str, int]]]
GONE, CHANGED, NOT_IN_CHAIN = "manifest-missing", "manifest-changed", "manifest-not-in-chain"
ANEW = NamedManifest("0003_verify.json", "0001_later.mhl", 1, "c4four")
BEGUN = FoundManifest("0001_later.mhl", "c4four", "in the chain")

TABLE: list[Row] = [
    ("both as recorded", [FIRST, SECOND], [ONE, TWO], []),
    ("another program went on", [FIRST, SECOND], [ONE, TWO, STRANGER], []),
    ("another program began", [SECOND], [ONE, TWO], []),
    ("records of earlier versions", [], [ONE, TWO], []),
    ("nothing at all", [], [], []),
    ("the newest dropped with its entry", [FIRST, SECOND], [ONE], [("error " + GONE, "0002.mhl", 1)]),
    ("everything gone", [FIRST, SECOND], [], [("warning " + GONE, "0001.mhl", 2)]),
    (
        "replaced, and the chain made to match",
        [FIRST, SECOND],
        [ONE, FoundManifest("0002.mhl", "c4other", "in the chain")],
        [("error " + CHANGED, "0002.mhl", 1)],
    ),
    (
        "only its entry taken out",
        [FIRST, SECOND],
        [ONE, FoundManifest("0002.mhl", "c4two", "not in the chain")],
        [("error " + NOT_IN_CHAIN, "0002.mhl", 1)],
    ),
    ("the chain shows it by itself", [FIRST, SECOND], [ONE, FoundManifest("0002.mhl", "", "said")], []),
    ("everything gone, begun anew", [FIRST, SECOND, ANEW], [BEGUN], [("warning " + GONE, "0001.mhl", 2)]),
    ("begun anew, and the run was stopped", [FIRST], [FoundManifest("0001.mhl", "c4five", "not in the chain")],
     [("warning " + GONE, "0001.mhl", 1)]),
    ("begun anew, stopped, gone on with", [FIRST, NamedManifest("0002", "2.mhl", 2, "c4")],
     [FoundManifest("1.mhl", "c4five", "in the chain"), FoundManifest("2.mhl", "c4", "in the chain")],
     [("warning " + GONE, "0001.mhl", 1)]),
    ("begun anew by another program", [FIRST], [STRANGER], [("warning " + GONE, "0001.mhl", 1)]),
    ("the only one replaced", [FIRST], [FoundManifest("0001.mhl", "c4five", "in the chain")],
     [("error " + CHANGED, "0001.mhl", 1)]),
    (
        "dropped, and another program went on",
        [FIRST, SECOND],
        [ONE, FoundManifest("0002_other.mhl", "c4three", "in the chain")],
        [("error " + GONE, "0002.mhl", 1)],
    ),
]  # fmt: skip


@pytest.mark.parametrize(("what", "named", "found", "said"), TABLE, ids=[row[0] for row in TABLE])
def test_what_is_said_of_two_histories(
    what: str, named: list[NamedManifest], found: list[FoundManifest], said: list[tuple[str, str, int]]
) -> None:
    out = compare_histories(named, found)
    assert [(f"{each.severity.value} {each.kind.value}", each.path, each.count) for each in out] == said
    assert all(each.remedy for each in out)


# --- records that this station remembers

OFFLOAD, VERIFY, LATER = RecordFact(1, "a", "1", True), RecordFact(2, "b", "2"), RecordFact(2, "c", "2 again")
AGAIN, EDITED = RecordFact(1, "d", "1 anew", True), RecordFact(1, "e", "1", True)

LOST: list[tuple[str, list[RecordFact], list[RecordFact], str | None, list[tuple[str, bool]], bool]] = [
    ("all there", [OFFLOAD, VERIFY], [OFFLOAD, VERIFY], "a", [], False),
    ("one more, not seen before", [OFFLOAD, VERIFY], [OFFLOAD], "a", [], False),
    ("the newest removed", [OFFLOAD], [OFFLOAD, VERIFY], "a", [("b", False)], False),
    ("the newest removed, verified since", [OFFLOAD, LATER], [OFFLOAD, VERIFY, LATER], "a", [("b", False)], False),
    ("the first edited", [EDITED, VERIFY], [OFFLOAD, VERIFY], "e", [("a", True)], False),
    ("all removed", [], [OFFLOAD, VERIFY], None, [("a", False), ("b", False)], True),
    ("all removed, verified since", [LATER], [OFFLOAD, VERIFY, LATER], None, [("a", False), ("b", False)], True),
    ("removed with the footage, offloaded again", [AGAIN], [OFFLOAD, VERIFY, AGAIN], "d", [], False),
    ("nothing is remembered", [OFFLOAD], [], "a", [], False),
]


NAMES = ("what", "there", "remembered", "founder", "lost", "no_offload")


@pytest.mark.parametrize(NAMES, LOST, ids=[row[0] for row in LOST])
def test_what_a_chain_lost(
    what: str,
    there: list[RecordFact],
    remembered: list[RecordFact],
    founder: str | None,
    lost: list[tuple[str, bool]],
    no_offload: bool,
) -> None:
    out = lost_records(there, remembered, founder)
    assert [(each.record.sha256, each.replaced) for each in out.lost] == lost
    assert out.all_offloads is no_offload
