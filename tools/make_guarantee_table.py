"""Fill the table *promise → test → faults* in `docs/how-it-is-tested.md` from a count that the suite itself wrote.

    ROLLPROOF_FAULT_REPORT=faults.json make test
    python tools/make_guarantee_table.py faults.json [another.json …]
    python tools/make_guarantee_table.py --holes     the other table, of wrong answers that were shown

Without a report it only says whether the page's rows are those below; the figures stay as they are.
"""

from __future__ import annotations

import json
import re
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
PAGE = REPOSITORY / "docs" / "how-it-is-tested.md"
BEGIN, END = "<!-- table of faults: begin -->\n", "<!-- table of faults: end -->\n"


@dataclass(frozen=True)
class Promise:
    """One row: what must hold, and the tests (`folder/file.py::name`) that try to break it."""

    text: str
    tests: tuple[str, ...]


_REAL, _ENGINE, _PLACES = "faults/test_real_drives.py::", "copying/test_engine.py::", "faults/test_hostile_places.py::"
_PAPERS, _ELSE, _TIMES = (
    "hostile/test_papers.py::",
    "hostile/test_something_else_there.py::",
    "hostile/test_clock_and_times.py::",
)
_CHANGES, _FUZZ = "faults/test_card_changes.py::", "fuzz/test_every_parser.py::"
_HANGS = "faults/test_hangs_of_commands.py::"
_WIPE, _ALONE = "workflows/test_may_wipe.py::", "workflows/test_may_wipe_alone.py::"

PROMISES: tuple[Promise, ...] = (
    Promise(
        "What a drive stored wrongly is caught, though the computer's memory still holds the good bytes",
        (
            _REAL + "test_a_bit_that_flips_on_the_medium_before_the_read_back_is_caught_though_the_cache_"
            "holds_the_good_block",
            _REAL + "test_a_drive_that_stores_a_flipped_bit_is_caught",
            _REAL + "test_a_bit_that_flips_beneath_fuse_exfat_is_caught_though_every_cache_above_holds_the_good_block",
            _ENGINE + "test_a_bit_flipped_on_its_way_to_one_drive_is_found_there_and_only_there",
        ),
    ),
    Promise(
        "A card that answers differently the second time is caught",
        (
            _REAL + "test_a_card_that_answers_differently_the_second_time_is_caught",
            _ENGINE + "test_a_card_that_answers_differently_the_second_time_proves_no_copy_of_that_file",
            _CHANGES + "test_a_file_that_is_rewritten_between_the_two_reads_with_its_old_date_is_caught",
        ),
    ),
    Promise(
        "An unreadable block: that file is named with its bytes, all others are proven, no part has a final name",
        (
            _REAL + "test_a_bad_block_on_the_card_names_its_file_and_range_and_all_other_files_are_proven",
            _ENGINE + "test_a_file_that_cannot_be_read_is_named_with_its_bytes_and_the_rest_is_proven",
        ),
    ),
    Promise(
        "A failed write, flush, rename or close is never called proven and never retried into a success",
        (
            _ENGINE + "test_a_drive_that_fails_is_named_and_the_other_is_proven",
            _ENGINE + "test_a_fresh_copy_whose_final_name_was_silently_lost_is_never_called_proven",
            "storage/test_files.py::test_a_flush_that_failed_is_not_tried_again",
            "storage/test_files.py::test_whichever_call_fails_nothing_stands_under_the_final_name",
            "faults/test_sweep.py::test_no_call_of_an_offload_can_break_an_invariant",
            "faults/test_sweep.py::test_no_call_of_a_resumed_offload_can_break_an_invariant",
            "faults/test_sweep_verify.py::test_no_call_of_a_verify_can_break_an_invariant",
        ),
    ),
    Promise(
        "A drive that fills, goes, turns read-only or hangs: the others finish, it is named once, a rerun completes",
        (
            _REAL + "test_a_drive_that_somebody_else_fills_is_named_and_the_other_finishes",
            _REAL + "test_a_drive_unplugged_while_it_is_written_or_read_back_is_named_and_the_other_finishes",
            _REAL + "test_a_drive_pulled_from_its_cable_is_named_and_the_other_finishes",
            _REAL + "test_a_drive_that_turns_read_only_is_named_and_the_other_finishes",
            _REAL + "test_after_a_lazy_unmount_nothing_is_written_into_the_parent_folder",
            _REAL + "test_a_device_that_hangs_uninterruptibly_does_not_keep_the_verdict_from_being_said",
            _REAL + "test_a_frozen_drive_is_left_behind_and_the_other_finishes",
            "faults/test_hangs.py::test_a_drive_that_hangs_during_a_verify_keeps_neither_the_other_nor_the_verdict_waiting",
            _HANGS + "test_a_copy_on_a_drive_that_hangs_counts_for_nothing_and_the_other_is_counted",
            _HANGS + "test_an_audit_that_reads_again_goes_on_with_the_other_drive",
            _HANGS + "test_a_card_that_hangs_is_kept_in_time",
            "hostile/test_many_findings.py::test_a_drive_that_goes_away_in_the_middle_of_1000_files_is_one_finding",
            "hostile/test_many_findings.py::test_a_copy_of_1000_files_that_cannot_be_read_any_more_fits_on_a_screen",
        ),
    ),
    Promise(
        "A kill or a power cut at any instant: no half file has a final name, a rerun completes",
        (
            "faults/test_kills.py::test_a_kill_at_any_instant_of_an_offload_breaks_no_invariant",
            "faults/test_kills.py::test_a_kill_at_any_instant_of_a_verify_breaks_nothing",
            "faults/test_power_cuts.py::test_a_power_cut_after_any_flush_breaks_no_invariant",
            "faults/test_power_cuts.py::test_a_power_cut_right_after_the_verdict_loses_nothing_of_what_was_said",
            "faults/test_campaigns.py::test_a_piece_of_each_campaign_finds_nothing_wrong",
        ),
    ),
    Promise(
        "No bit flipped on a drive after the write escapes the read-back, `verify` or `may-wipe --reread-copies`",
        (
            "faults/test_flips.py::test_no_flipped_bit_escapes_the_read_back_of_the_offload_that_wrote_it",
            "faults/test_flips.py::test_no_flipped_bit_escapes_verify",
        ),
    ),
    Promise(
        "A card that changes during the offload, or another one in its place, is a finding and not proven",
        (
            _CHANGES + "test_a_card_that_changes_is_never_called_proven",
            _CHANGES + "test_another_card_at_the_same_mount_point_is_caught",
        ),
    ),
    Promise(
        "Two at work on one roll: one refuses, nothing mixes; the lock of a dead process blocks nobody",
        (
            "faults/test_two_at_once.py::test_a_second_offload_on_the_same_roll_refuses_and_changes_nothing",
            "faults/test_two_at_once.py::test_the_lock_of_a_dead_process_blocks_nobody",
        ),
    ),
    Promise(
        "No verdict depends on the clock, on coarse time stamps or on Unix permissions",
        (
            _TIMES + "test_a_clock_that_jumps_back_and_forth_changes_no_verdict_and_breaks_no_chain",
            _TIMES + "test_the_answer_for_a_card_trusts_no_clock",
            _TIMES + "test_a_drive_that_keeps_no_times_is_never_proven_and_the_other_is",
            _REAL + "test_other_file_systems_are_proven_from_the_medium_whatever_their_times_and_permissions",
        ),
    ),
    Promise(
        "A record that was changed, dropped, swapped, cut off or brought from elsewhere is found, each in its words",
        (
            "hostile/test_record_chains.py::test_every_way_to_tamper_with_the_chain_is_told_by_offload_and_by_verify",
            "records/test_record_chain.py::test_each_way_to_tamper_with_a_chain_is_told_by_its_kind_and_its_words",
        ),
    ),
    Promise(
        "Hostile names, manifests, records, links, pipes and devices: nothing outside is touched, memory stays flat",
        (
            _PAPERS + "test_a_hostile_manifest_in_a_copy_without_records_is_a_finding",
            _PAPERS + "test_a_hostile_manifest_beside_whole_records_is_a_finding",
            _PAPERS + "test_a_hostile_chain_is_a_finding",
            _PAPERS + "test_a_hostile_record_is_a_finding",
            _PAPERS + "test_every_text_of_a_record_is_inert_wherever_it_is_shown",
            _PAPERS + "test_something_else_in_the_place_of_our_folders_is_a_finding",
            _PAPERS + "test_a_record_from_the_end_of_the_calendar_is_no_traceback_anywhere",
            "hostile/test_memory.py::test_memory_stays_flat_whatever_lies_beside_the_copy",
            "hostile/test_names.py::test_what_offload_and_verify_say_of_them_is_inert",
            "hostile/test_planted.py::test_nothing_outside_is_touched_whenever_a_link_is_planted",
            "hostile/test_names.py::test_folders_ten_thousand_deep_are_an_error_and_everything_else_is_proven",
            "hostile/test_names.py::test_links_pipes_and_second_names_on_the_card_are_told_and_the_rest_is_proven",
            _PLACES + "test_what_is_planted_between_check_and_use_is_neither_followed_nor_overwritten",
            _PLACES + "test_another_file_system_in_the_place_of_the_roll_folder_takes_nothing",
            _PLACES + "test_a_file_on_the_card_that_turns_into_something_else_is_neither_followed_nor_waited_for",
            _ELSE + "test_in_a_copy_it_is_named_by_verify_and_by_a_resumed_offload_and_stays",
            _ELSE + "test_in_the_place_of_the_marker_it_is_neither_read_nor_written",
            _ELSE + "test_a_forged_marker_makes_nothing_be_replaced_or_removed",
            _ELSE + "test_a_card_is_kept_when_a_copy_or_the_card_holds_something_else",
        ),
    ),
    Promise(
        "MAY WIPE is given only where every rule holds, and each rule alone keeps a card that the others let go",
        (
            _WIPE + "test_the_answer_for",
            "workflows/test_may_wipe_stories.py::test_may_wipe_is_given_only_where_the_true_contents_allow_it",
            "faults/test_sweep_may_wipe.py::test_no_call_of_the_question_can_make_a_wrong_answer",
            _ALONE + "test_a_card_with_another_identity_and_the_same_listing_is_read_again",
            _ALONE + "test_what_was_unknown_then_and_is_unknown_now_is_not_the_same",
            _ALONE + "test_two_offloads_of_one_listing_that_read_different_bytes_are_told_apart_by_a_read",
            _ALONE + "test_a_card_that_is_exchanged_while_it_is_judged_is_kept",
            _ALONE + "test_a_failed_verify_at_another_station_is_believed_though_this_one_knows_nothing_of_it",
            _ALONE + "test_a_failed_verify_that_left_no_record_is_remembered_here_alone",
            _ALONE + "test_a_drive_put_back_to_an_older_state_does_not_count_where_the_ledger_remembers_more",
            _ALONE + "test_a_roll_folder_that_was_dragged_to_another_drive_and_learned_there_proves_nothing",
            _ALONE + "test_a_file_of_a_copy_under_its_own_date_that_is_not_what_was_recorded",
            _ALONE + "test_an_older_ledger_that_was_put_back_vouches_for_no_absent_drive",
            _ALONE + "test_all_devices_that_cannot_be_told_count_as_one",
            _ALONE + "test_an_earlier_offload_of_the_roll_that_asked_for_more_is_believed",
        ),
    ),
    Promise(
        "Every parser, on damaged documents: values or our own error, never anything else, soon",
        (
            _FUZZ + "test_whatever_is_damaged_the_parser_ends_with_values_or_with_our_own_error",
            _FUZZ + "test_a_great_deal_of_one_thing_costs_neither_time_nor_memory",
            _FUZZ + "test_the_table_is_complete",
        ),
    ),
)
"""The sweeps of every call are campaigns: their figures stand below the table, not in it."""


HOLES_BEGIN, HOLES_END = "<!-- table of holes: begin -->\n", "<!-- table of holes: end -->\n"


@dataclass(frozen=True)
class Hole:
    """A wrong answer that was shown, the rule that closes it, and the tests that saw it."""

    rule: str
    before: str
    now: str
    tests: tuple[str, ...]


_JOBS = "workflows/"
_ONCE, _NUMBER, _NOW = (
    _JOBS + "test_one_thing_counts_once.py::",
    _JOBS + "test_one_number_of_devices.py::",
    _JOBS + "test_answer_is_about_now.py::",
)
HOLES: tuple[Hole, ...] = (
    Hole(
        "Bad news is put down the moment it is known",
        "A verify of a drive that hung, was killed or was stopped with Ctrl-C; the drive away: MAY WIPE",
        "KEEP, away and attached, until a full clean verify",
        (
            _JOBS + "test_bad_news.py::test_a_drive_that_hung_while_it_was_verified_counts_no_more_when_it_is_away",
            _JOBS + "test_bad_news.py::test_ctrl_c_in_the_last_clip_does_not_throw_away_the_damage_found_in_the_first",
            _JOBS + "test_bad_news.py::test_kill_9_in_the_last_clip_does_not_throw_away_the_damage_found_in_the_first",
        ),
    ),
    Hole(
        "One physical thing counts once, under whatever key it comes",
        "The same drive in another dock, formatted and offloaded to again, or its roll folder dragged to another drive:"
        " two copies, MAY WIPE",
        "One copy, KEEP",
        (
            _ONCE + "test_a_drive_through_another_dock_is_not_a_second_one",
            _JOBS
            + "test_one_thing_counts_once.py::test_a_drive_that_was_formatted_and_offloaded_to_again_is_not_beside"
            "_its_former_self",
            _JOBS
            + "test_one_thing_counts_once.py::test_a_roll_folder_that_was_moved_to_another_drive_counts_there_only",
            _JOBS
            + "test_one_number_of_devices.py::test_a_copy_on_a_disk_and_one_on_a_set_with_that_disk_are_one_device"
            "_to_every_command",
        ),
    ),
    Hole(
        "What lies beneath counts",
        "Two disk images on one drive: two devices; an image in memory: a device, proven from the medium",
        "One device; none; evidence `cache`",
        (
            "drives/test_what_lies_beneath.py::test_two_images_on_one_drive_are_one_device",
            "drives/test_what_lies_beneath.py::test_an_image_in_memory_is_no_device",
            "drives/test_what_lies_beneath.py::test_a_mount_that_only_says_what_it_is_earns_nothing",
        ),
    ),
    Hole(
        "The answer is about now",
        "A copy deleted while another one was read again: MAY WIPE",
        "KEEP: it changed while the card was judged",
        (
            _JOBS + "test_answer_is_about_now.py::test_what_changes_on_the_first_drive_while_the_second_is_read"
            "_keeps_the_card",
        ),
    ),
    Hole(
        "A mount can be older than the card",
        "A card exchanged while the computer slept: its old listing was believed",
        "KEEP until it was taken out and put in again",
        (
            _JOBS + "test_computer_slept.py::test_after_a_sleep_neither_listing_nor_reading_is_believed",
            _JOBS + "test_computer_slept.py::test_one_re_plug_is_enough",
        ),
    ),
    Hole(
        "A clock that runs behind what is recorded counts no absent copy",
        "A clock put back made an old sighting fresh: MAY WIPE",
        "KEEP until a person confirms the clock and the drive was seen again",
        (_ONCE + "test_a_clock_that_was_put_back_counts_no_absent_copy_until_a_person_confirms_it",),
    ),
    Hole(
        "The rules come from the production, not from the card",
        "A production file on a drive that is judged asked for one copy: MAY WIPE",
        "KEEP; the answer names the file that ruled",
        (
            _JOBS + "test_one_policy.py::test_a_production_file_on_the_card_never_says_how_the_card_is_judged",
            _JOBS + "test_one_policy.py::test_a_production_file_on_a_drive_that_is_judged_rules_only_when_it_is_named",
            _JOBS + "test_one_policy.py::test_evidence_that_is_not_accepted_any_more_counts_in_no_command",
        ),
    ),
    Hole(
        "Names that are accepted mean one thing",
        "`--accept` with the name on the screen: not accepted; a name that two findings have: both",
        "Accepted; the candidates are listed",
        (_JOBS + "test_accepting.py::test_a_name_that_several_findings_have_accepts_none_and_lists_them",),
    ),
    Hole(
        "What no listing shows keeps the card",
        "An alternate data stream of 2 MiB on an NTFS card, which no offload copies: MAY WIPE",
        "KEEP, until it is accepted as `PATH:NAME`",
        (_JOBS + "test_named_parts.py::test_a_large_stream_keeps_the_card_until_it_is_accepted_by_name",),
    ),
    Hole(
        "A drive that is not there does not become the system disk",
        "A drive unmounted, its folder left: footage on the system disk, PROVEN, MAY WIPE",
        "Refused before a byte is written",
        (
            _JOBS + "test_drive_not_there.py::test_an_unmounted_drive_of_the_production_file_is_refused_and_nothing_is"
            "_written",
            _JOBS + "test_drive_not_there.py::test_an_empty_folder_below_a_usual_mount_root_is_refused",
            _JOBS + "test_drive_not_there.py::test_a_path_where_a_drive_was_seen_is_not_taken_for_it_when_the_drive_is"
            "_away",
        ),
    ),
    Hole(
        '"May be unplugged" is said only when nobody needs the drive',
        "Said while another run wrote to it",
        "Said by the last run that has business with it",
        (_JOBS + "test_unplugging.py::test_a_drive_that_another_run_writes_to_is_not_said_to_be_free",),
    ),
    Hole(
        "Records, keys and ledger are nobody else's to write",
        "With an open umask everybody could",
        "Never, whatever the umask",
        (_JOBS + "test_permissions.py::test_records_keys_and_ledger_are_never_writable_for_others",),
    ),
    Hole(
        "What a person accepts is a record on every attached copy",
        "Damage on the card was forgotten at wrap: audit *complete*",
        "Found by every audit until somebody accepts it by name",
        (
            _JOBS + "test_accepting.py::test_what_was_wrong_with_a_card_is_found_by_every_audit_after_it",
            _JOBS + "test_accepting.py::test_what_differs_or_is_missing_cannot_be_accepted",
        ),
    ),
)
"""Each was seen to give the wrong answer before the rule was there, but for the sleeping computer."""


def holes_table() -> str:
    """The table of holes."""
    head = "| rule | wrong answer before | answer now | tests |\n|---|---|---|---|\n"
    rows = (
        f"| {hole.rule} | {hole.before} | {hole.now} | {'<br>'.join(f'`{test}`' for test in hole.tests)} |\n"
        for hole in HOLES
    )
    return head + "".join(rows)


def by_test(reports: Sequence[Path]) -> Counter[str]:
    """Faults by test, parameters folded together, from reports of the suite."""
    found: Counter[str] = Counter()
    for path in reports:
        report: Mapping[str, Mapping[str, int]] = json.loads(path.read_text(encoding="utf-8"))
        for name, count in report["by_test"].items():
            found[name.partition("[")[0].removeprefix("tests/")] += count
    return found


def row(promise: Promise, faults: str) -> str:
    """One line of the table."""
    named = "<br>".join(f"`{test}`" for test in promise.tests)
    return f"| {promise.text} | {named} | {faults} |\n"


def table(figures: Sequence[str]) -> str:
    """The whole table."""
    head = "| promise | tests that try to break it | faults in one run |\n|---|---|---:|\n"
    return head + "".join(row(promise, count) for promise, count in zip(PROMISES, figures, strict=True))


def figures_on_the_page() -> list[str]:
    """The figures as they stand in the page now, one per row."""
    inside = PAGE.read_text(encoding="utf-8").partition(BEGIN)[2].partition(END)[0]
    return re.findall(r"\| ([0-9 ]+|–) \|$", inside, re.MULTILINE)


def main(arguments: Sequence[str]) -> int:
    """Write the figures of these reports into the page, or compare its rows."""
    page = PAGE.read_text(encoding="utf-8")
    first, _, rest = page.partition(HOLES_BEGIN)
    holes, _, last = rest.partition(HOLES_END)
    if arguments == ["--holes"]:
        PAGE.write_text(first + HOLES_BEGIN + holes_table() + HOLES_END + last, encoding="utf-8")
        return 0
    before, _, rest = page.partition(BEGIN)
    inside, _, after = rest.partition(END)
    if not arguments:
        return 0 if inside == table(figures_on_the_page()) and holes == holes_table() else 1
    counted = by_test([Path(each) for each in arguments])
    sums = [sum(counted[test] for test in promise.tests) for promise in PROMISES]
    figures = [f"{count:,}".replace(",", " ") if count else "–" for count in sums]
    PAGE.write_text(before + BEGIN + table(figures) + END + after, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
