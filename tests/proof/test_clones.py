"""Is a drive the one that its records speak of: a table of cases."""

from __future__ import annotations

import pytest

from rollproof.proof.clones import CloneFacts, Likeness, VolumeOnDevice, likeness

HERE = VolumeOnDevice("1A2B", "disk:new")
FIRST = VolumeOnDevice("1A2B", "disk:old")
OTHER = VolumeOnDevice("9C0D", "disk:old")
UNTOLD = VolumeOnDevice("1A2B", None)


def those(*each: VolumeOnDevice) -> frozenset[VolumeOnDevice]:
    """A set of them."""
    return frozenset(each)


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        (CloneFacts(HERE), Likeness.ITSELF),
        (CloneFacts(HERE, those(HERE), those(HERE)), Likeness.ITSELF),
        (CloneFacts(HERE, those(HERE, FIRST), those(HERE), those(FIRST)), Likeness.ITSELF),
        (CloneFacts(HERE, those(FIRST), those(FIRST)), Likeness.CLONE_OR_CASE),
        (CloneFacts(HERE, those(FIRST), those(FIRST), those(OTHER)), Likeness.CLONE_OR_CASE),
        (CloneFacts(HERE, those(FIRST), those(FIRST), those(FIRST)), Likeness.CLONE),
        (CloneFacts(HERE, those(FIRST), those(HERE), those(FIRST)), Likeness.CLONE),
        (CloneFacts(HERE, those(FIRST), those(HERE)), Likeness.ITSELF),
        # roll folders that were dragged here name another volume, and say nothing of this one
        (CloneFacts(HERE, those(OTHER), those(OTHER), those(OTHER)), Likeness.ITSELF),
        # what could not be told proves nothing
        (CloneFacts(HERE, those(UNTOLD), those(UNTOLD)), Likeness.ITSELF),
        (CloneFacts(UNTOLD, those(FIRST), those(FIRST), those(FIRST)), Likeness.ITSELF),
        (CloneFacts(VolumeOnDevice(None, "disk:new"), those(VolumeOnDevice(None, "disk:old"))), Likeness.ITSELF),
    ],
)
def test_a_drive_is_itself_a_clone_or_perhaps_in_another_case(facts: CloneFacts, expected: Likeness) -> None:
    assert likeness(facts) is expected
