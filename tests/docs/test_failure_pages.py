"""The page for two in the morning: a section for every situation, real answers in each, nothing typed by hand."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from tools.failure_situations import SITUATIONS, Situation
from tools.make_failure_pages import anchor, cleaned, filled

PAGE = Path(__file__).resolve().parents[2] / "docs" / "when-things-go-wrong.md"
COLUMNS = 80

MUST_HAVE = {
    "drive-unplugged",
    "drive-not-there",
    "drive-full",
    "drive-read-only",
    "drive-hangs",
    "drive-slow",
    "readback-differs",
    "card-reads-differ",
    "card-block-unreadable",
    "card-changed",
    "card-pulled",
    "two-at-once",
    "killed",
    "record-changed",
    "copy-rotten",
    "other-roll",
    "card-unknown",
    "ledger-damaged",
}
"""What happens on a set, whatever the list of situations says today."""

SAYS: dict[str, tuple[str, ...]] = {
    "drive-unplugged": (
        "PRIMARY  FAILED",
        "BACKUP   proven",
        "NOT PROVEN",
        "PROVEN: roll A003 is proven on 2 of 2 drives",
    ),
    "drive-unmounted": ("the drive was unmounted or exchanged", "BACKUP   proven"),
    "drive-not-there": ("REFUSED", "the drive is not there", "--system-disk"),
    "drive-full": ("the drive filled up", "BACKUP   proven", "PROVEN: roll A003 is proven on 2 of 2 drives"),
    "drive-read-only": ("switched to read-only", "BACKUP   proven"),
    "drive-hangs": ("does not answer", "BACKUP   proven", "If the prompt does not come back, unplug"),
    "drive-slow": ("much slower than the others", "PROVEN: roll A003 is proven on 2 of 2 drives"),
    "readback-differs": ("read back from the drive", "not what the card holds", "4 proven of 5 files"),
    "card-reads-differ": ("on its second read", "4 proven of 5 files"),
    "card-block-unreadable": ("cannot be read from the card", "bytes 12,", "4 proven of 5 files"),
    "card-changed": ("added since the card was first looked at", "NOT PROVEN"),
    "card-pulled": ("NOT PROVEN", "KEEP"),
    "two-at-once": ("is at work on this roll folder", "REFUSED"),
    "killed": ("NOT-FINISHED.rollproof-partial", "PROVEN: roll A003 is proven on 2 of 2 drives"),
    "stopped": ("STOPPED, NOT PROVEN", "Run the same command again to go on"),
    "record-changed": ("not the one that this station remembers",),
    "copy-rotten": ("is not what was recorded", "KEEP the card"),
    "copy-moved": ("1 proven copy counts, 2 are required", "PROVEN: 1 copy read again", "2 copies counted"),
    "other-roll": ("REFUSED", "--roll NAME"),
    "card-unknown": ("KEEP the card",),
    "no-card": ("no card here", "KEEP the card"),
    "ledger-damaged": ("set aside as", "REBUILT"),
    "no-room": ("MB free", "REFUSED"),
    "expected-clips": ("the camera report says 4 clips", "REFUSED"),
    "too-few-copies": ("TOO FEW COPIES", "KEEP"),
}
"""Words that the real answer must hold: the failure really happened, and was really said."""


def _section(situation: Situation) -> str:
    page = PAGE.read_text(encoding="utf-8")
    section = page.partition(f"\n## {situation.title}\n")[2]
    return re.split(r"\n## ", section, maxsplit=1)[0]


def test_every_situation_of_a_set_is_there() -> None:
    slugs = [situation.slug for situation in SITUATIONS]
    assert set(slugs) >= MUST_HAVE
    assert len(set(slugs)) == len(slugs)
    assert set(SAYS) == set(slugs)


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda situation: situation.slug)
def test_every_situation_has_its_section_with_what_was_really_said(situation: Situation) -> None:
    section = _section(situation)
    assert section, "run: python tools/make_failure_pages.py"
    for text in (situation.looks, f"**What is safe.** {situation.safe}", f"**What to do.** {situation.do}"):
        assert filled(text) in section
    answers = "\n".join(re.findall(r"^```text\n(.*?)^```", section, re.MULTILINE | re.DOTALL))
    assert "$ rollproof " in answers
    unwrapped = " ".join(answers.split())
    for words in SAYS[situation.slug]:
        assert " ".join(words.split()) in unwrapped, words
    assert f"(#{anchor(situation.title)})" in PAGE.read_text(encoding="utf-8")


def test_no_answer_is_wider_than_a_terminal_or_holds_a_code() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for answer in re.findall(r"^```text\n(.*?)^```", page, re.MULTILINE | re.DOTALL):
        assert "\x1b" not in answer
        assert max(map(len, answer.splitlines())) <= COLUMNS
        assert "Traceback" not in answer


def test_only_the_warning_about_the_bench_is_left_out() -> None:
    bench = (
        "Warnings\n  /media/PRIMARY: the destination PRIMARY is a disk image\n    2-ext4.img on this computer's disk\n"
        "    Next: keep footage on drives, not in disk images\n"
    )
    mine = "  PRIMARY: the drive filled up\n    Next: make room\n"
    assert cleaned(f"x\n\n{bench}{mine}─\n") == f"x\n\nWarnings\n{mine}─\n"
    assert cleaned(f"x\n\n{bench}─\n") == "x\n─\n"
