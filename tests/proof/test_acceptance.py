"""What a name given to `--accept` means."""

from __future__ import annotations

import pytest

from rollproof.proof.acceptance import Subject, accepted, unclear, unused

CLIP = Subject("clip", "A008C003_260514_R1BF")
OTHER = Subject("clip", "A008C003_260515_R1BF")
LINK = Subject("path", "PRIVATE/linked.mov")
LINK_TOO = Subject("path", "DCIM/linked.mov")
TOP = Subject("path", "linked.mov")
SPACE = Subject("word", "space")


@pytest.mark.parametrize(
    ("given", "subjects", "meant"),
    [
        ("A008C003_260514_R1BF", [CLIP], [CLIP]),
        ("A008C003", [CLIP], [CLIP]),
        ("a008c003", [CLIP], [CLIP]),
        ("A008C003_260514", [CLIP, OTHER], [CLIP]),
        ("A008C003", [CLIP, OTHER], []),  # two findings have it
        ("A008C003", [CLIP, CLIP], [CLIP]),  # one finding, said twice
        ("A008", [CLIP], []),  # that is the roll
        ("A008C00", [CLIP], []),
        ("", [CLIP, LINK], []),
        ("PRIVATE/linked.mov", [LINK, LINK_TOO], [LINK]),
        ("linked.mov", [LINK], [LINK]),
        ("linked.mov", [LINK, LINK_TOO], []),
        ("linked.mov", [TOP, LINK, LINK_TOO], [TOP]),  # the whole name of one of them
        ("Linked.mov", [LINK], []),
        ("space", [SPACE, LINK], [SPACE]),
        ("PRIVATE", [LINK], []),
    ],
)
def test_a_name_means_one_thing_or_nothing(given: str, subjects: list[Subject], meant: list[Subject]) -> None:
    assert list(accepted([given], subjects)) == meant


def test_a_name_of_several_is_told_with_all_of_them() -> None:
    (found,) = unclear(["A008C003", "space"], [CLIP, OTHER, SPACE])
    assert (found.given, found.candidates) == ("A008C003", (CLIP, OTHER))
    assert unused(["A008C003", "space", "A009"], [CLIP, OTHER, SPACE]) == ["A009"]


def test_two_names_for_one_thing_accept_it_once() -> None:
    assert accepted(["A008C003", CLIP.name], [CLIP]) == {CLIP: "A008C003"}
