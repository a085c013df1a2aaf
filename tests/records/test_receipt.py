"""The receipt: the same set of records gives the same code, and no other set does."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rollproof.models.errors import UsageProblem
from rollproof.records.receipt import ALPHABET, read_receipt, receipt_of, spelled

digests = st.one_of(st.none(), st.binary(min_size=1, max_size=8).map(lambda data: hashlib.sha256(data).hexdigest()))
sets = st.dictionaries(st.binary(min_size=1, max_size=20), digests, max_size=6)
Rolls = dict[bytes, str | None]

BELLS: Rolls = {
    b"2026-05-14/A003": hashlib.sha256(b"one").hexdigest(),
    b"2026-05-14/B001": hashlib.sha256(b"two").hexdigest(),
}


def code(rolls: Rolls) -> str:
    """The receipt of a set."""
    return receipt_of(rolls.items())


@given(rolls=sets, data=st.data())
def test_the_order_of_the_rolls_does_not_matter(rolls: Rolls, data: st.DataObject) -> None:
    shuffled = data.draw(st.permutations(list(rolls.items())))
    assert receipt_of(shuffled) == code(rolls)


@given(rolls=sets, folder=st.binary(min_size=1, max_size=20), digest=digests)
def test_a_roll_that_is_added_or_dropped_changes_it(rolls: Rolls, folder: bytes, digest: str | None) -> None:
    assume(folder not in rolls)
    assert code({**rolls, folder: digest}) != code(rolls)


@given(rolls=sets.filter(bool), digest=digests, data=st.data())
def test_a_record_that_is_another_one_changes_it(rolls: Rolls, digest: str | None, data: st.DataObject) -> None:
    folder = data.draw(st.sampled_from(sorted(rolls)))
    assume(rolls[folder] != digest)
    assert code({**rolls, folder: digest}) != code(rolls)


@given(rolls=sets.filter(bool), new=st.binary(min_size=1, max_size=20), data=st.data())
def test_a_roll_that_was_moved_changes_it(rolls: Rolls, new: bytes, data: st.DataObject) -> None:
    old = data.draw(st.sampled_from(sorted(rolls)))
    assume(new not in rolls)
    moved = {new if folder == old else folder: digest for folder, digest in rolls.items()}
    assert code(moved) != code(rolls)


def test_records_swapped_between_two_rolls_change_it() -> None:
    one, two = BELLS
    assert code({one: BELLS[two], two: BELLS[one]}) != code(BELLS)


def test_a_folders_name_cannot_play_a_second_roll() -> None:
    digest = "0" * 64
    assert code({b"a\n" + b"0" * 64 + b"  b": digest}) != code({b"a": digest, b"b": digest})
    assert code({b"a\\nb": digest}) != code({b"a\nb": digest})


def test_it_is_made_as_the_documentation_says() -> None:
    text = "rollproof-receipt/1\n" + "".join(f"{BELLS[folder]}  {folder.decode()}\n" for folder in sorted(BELLS))
    number = int(hashlib.sha256(text.encode()).hexdigest(), 16) % 31**16
    digits = []
    for value, count in ((number, 16), (number % 953, 2)):
        digits += [ALPHABET[value // 31**place % 31] for place in reversed(range(count))]
    written = "".join(digits)
    assert code(BELLS) == "-".join(written[at : at + 4] for at in range(0, 18, 4))
    assert code(BELLS) == "MQFE-RBVZ-HR33-3ZY2-7E"


def test_a_folder_that_comes_twice_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="twice"):
        receipt_of([(b"a", None), (b"a", None)])


@given(sets)
def test_what_was_written_down_can_be_read_again_however_it_is_typed(rolls: Rolls) -> None:
    receipt = code(rolls)
    assert set(receipt) <= {*ALPHABET, "-"}
    assert read_receipt(receipt) == receipt
    assert read_receipt(f" {receipt.lower().replace('-', ' ')} ") == receipt


@given(rolls=sets, at=st.integers(0, 17), other=st.sampled_from(ALPHABET))
def test_one_misheard_letter_is_always_noticed(rolls: Rolls, at: int, other: str) -> None:
    plain = code(rolls).replace("-", "")
    assume(plain[at] != other)
    with pytest.raises(UsageProblem, match="misheard"):
        read_receipt(plain[:at] + other + plain[at + 1 :])


@given(rolls=sets, one=st.integers(0, 15), other=st.integers(0, 15))
def test_two_swapped_letters_are_always_noticed(rolls: Rolls, one: int, other: int) -> None:
    plain = list(code(rolls).replace("-", ""))
    assume(plain[one] != plain[other])
    plain[one], plain[other] = plain[other], plain[one]
    with pytest.raises(UsageProblem, match="misheard"):
        read_receipt("".join(plain))


@pytest.mark.parametrize("said", ["", "K7QM", "O" * 18, "\x1b[2J", "é" * 18, "2" * 19])
def test_what_is_no_receipt_is_refused_with_words(said: str) -> None:
    with pytest.raises(UsageProblem) as refused:
        read_receipt(said)
    assert "\x1b" not in refused.value.message


def test_it_has_no_letters_that_look_alike_and_is_spelled_as_on_the_radio() -> None:
    assert not set("01OIL") & set(ALPHABET)
    assert spelled("K7QM-6K") == ["Kilo 7 Quebec Mike", "6 Kilo"]
