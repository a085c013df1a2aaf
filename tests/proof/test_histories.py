"""Records and manifests compared: a table of what lies there and what is said of it."""

from __future__ import annotations

import pytest

from rollproof.proof.histories import FoundManifest, NamedManifest, compare_histories

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
