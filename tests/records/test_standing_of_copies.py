"""What the records say of a copy that was made from a copy: it leads back to the card, or it is not proven."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from records.samples import ROLL, Roll, card, drive, offload_header, row, rows
from rollproof.models.volumes import Evidence
from rollproof.records.blocks import source_block
from rollproof.records.chain import read_chain
from rollproof.records.rows import FileRow
from rollproof.records.standing import Standing, standing

ARCHIVE = drive("archive", serial="uuid-archive")
ONCE = (Evidence.MEDIUM,)


def _copied_on(roll: Roll, files: list[FileRow], **how: object) -> None:
    header = offload_header(ARCHIVE, files, reads=ONCE, **how)  # type: ignore[arg-type]
    source = source_block(drive(), reads=ONCE, listing_digest="ab" * 32, copy_folder=b"A003")
    roll.append(header.model_copy(update={"source": source}), files)


def _now(roll: Roll) -> Standing:
    return standing(roll.io, roll.handle, read_chain(roll.io, roll.handle), ARCHIVE)


def _with(files: list[FileRow], **hashes: str) -> list[FileRow]:
    return [replace(file, hashes=hashes) for file in files]


CASES: dict[str, tuple[Callable[[Roll], None], str]] = {}


def case(state: str) -> Callable[[Callable[[Roll], None]], Callable[[Roll], None]]:
    """A chain, and what it makes of the copy on the archive."""

    def note(chain: Callable[[Roll], None]) -> Callable[[Roll], None]:
        CASES[chain.__name__] = chain, state
        return chain

    return note


@case("proven")
def the_card_s_own_hashes(roll: Roll) -> None:
    roll.offload(*rows(*ROLL))
    _copied_on(roll, rows(*ROLL))


@case("copied")
def another_hash_than_the_card_s(roll: Roll) -> None:
    roll.offload(*rows(*ROLL))
    _copied_on(roll, _with(rows(*ROLL), xxh128="0" * 32))


@case("copied")
def no_algorithm_in_common_with_the_card_s(roll: Roll) -> None:
    roll.offload(*rows(*ROLL))
    _copied_on(roll, _with(rows(*ROLL), md5="0" * 32))


@case("proven")
def another_algorithm_by_way_of_a_copy_that_has_both(roll: Roll) -> None:
    roll.offload(*rows(*ROLL))
    both = [replace(file, hashes={**file.hashes, "md5": "1" * 32}) for file in rows(*ROLL)]
    _copied_on(roll, both)
    _copied_on(roll, _with(rows(*ROLL), md5="1" * 32))


@case("copied")
def a_card_that_was_read_once(roll: Roll) -> None:
    roll.offload(*rows(*ROLL), reads=ONCE)
    _copied_on(roll, rows(*ROLL))


@case("copied")
def a_file_that_failed_when_the_card_was_read(roll: Roll) -> None:
    first, *others = rows(*ROLL)
    roll.offload(replace(first, proven=False, state="failed"), *others, state="incomplete")
    _copied_on(roll, rows(*ROLL))


@case("unproven")
def a_file_of_the_roll_that_was_not_copied_on(roll: Roll) -> None:
    roll.offload(*rows(*ROLL))
    _copied_on(roll, rows(*ROLL[1:]))


@case("proven")
def a_source_whose_own_read_back_came_from_a_cache(roll: Roll) -> None:
    roll.offload(*rows(*ROLL), readback=Evidence.CACHE)
    _copied_on(roll, rows(*ROLL))


@case("copied")
def a_copy_that_was_read_back_from_a_cache(roll: Roll) -> None:
    roll.offload(*rows(*ROLL))
    _copied_on(roll, rows(*ROLL), readback=Evidence.CACHE)


@case("proven")
def a_new_file_that_no_card_knows(roll: Roll) -> None:
    roll.offload(*rows(*ROLL))
    _copied_on(roll, sorted([*rows(*ROLL), row("LOOK.cube")], key=lambda file: file.path))


@case("proven")
def a_history_of_the_open_standard_alone(roll: Roll) -> None:
    _copied_on(roll, rows(*ROLL))


@pytest.mark.parametrize("name", CASES)
def test_a_copy_of_a_copy_stands_as_its_chain_leads_back_to_the_card(roll: Roll, name: str) -> None:
    chain, state = CASES[name]
    chain(roll)
    found = _now(roll)
    assert found.state == state, found.why
    assert {file.proven for file in found.iter_files()} == {True} if state == "proven" else True


def test_what_the_drive_copied_from_was_read_back_by_is_no_evidence_for_the_copy(roll: Roll) -> None:
    roll.offload(*rows(*ROLL), readback=Evidence.CACHE)
    _copied_on(roll, rows(*ROLL))
    assert _now(roll).readback is Evidence.MEDIUM


def test_a_record_of_a_card_without_a_second_read_is_not_lifted_by_calling_its_drive_the_card(roll: Roll) -> None:
    files = rows(*ROLL)
    header = offload_header(ARCHIVE, files, reads=ONCE)
    source = source_block(card(), reads=ONCE, listing_digest="ab" * 32)
    roll.append(header.model_copy(update={"source": source}), files)
    assert _now(roll).state == "copied"
