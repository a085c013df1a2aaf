"""Protections taken out, one at a time: does a test notice? Part of `make campaign`.

    PYTHONPATH=tests python -m campaigns.protections [--all-tests] [NAME ...]

Each row is a line of the program that keeps footage from being lost, what stands there without the protection, and the
test whose business it is. The program is copied, changed in that one place, and the test must fail. A row whose line
is no longer in the program, or there more than once, is reported as well: it has to follow the code. So is a test that
fails although nothing was taken out. `--all-tests` runs the whole file of the test, to see who else notices.
"""

from __future__ import annotations

import argparse
import functools
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
ALONE = "workflows/test_may_wipe_alone.py"
TABLE = "workflows/test_may_wipe.py"


@dataclass(frozen=True)
class Protection:
    """`without` stands in the place of `line` in `src/rollproof/<file>`; `test` is below `tests/`, with part of its
    name after `::`."""

    name: str
    file: str
    line: str
    without: str
    test: str


_MAY_WIPE = "workflows/may_wipe/job.py"
_OFFLOADS = "workflows/may_wipe/offloads.py"
_EXAMINE = "copies/examine.py"
_COPY = "proof/copy.py"
_LOOK = "workflows/may_wipe/look.py"
_COPIES = "workflows/may_wipe/copies.py"
_DEVICES = "proof/devices.py"
_RULES = "station/rules.py"
_ONE_POLICY = "workflows/test_one_policy.py"
_COUNT = "workflows/may_wipe/count.py"
_CARD = "workflows/may_wipe/card.py"
_PERMIT = "workflows/may_wipe/permit.py"
_SUPPLY = "workflows/may_wipe/second_read.py"
_STANDING = "records/standing.py"
_OPENING = "ledger/opening.py"
BAD_NEWS = "workflows/test_bad_news.py"
BAD_NEWS_OFFLOAD = "workflows/test_bad_news_offload.py"
BAD_NEWS_KEPT = "workflows/test_bad_news_kept.py"
_AROUND = "workflows/test_histories_around_rolls.py"

_IDENTITY = "proof/identity.py"
_ONCE = "workflows/test_one_thing_counts_once.py"

PROTECTIONS = (
    # --- whose rules hold
    Protection(
        "a production file on the card does not rule its offload", "workflows/offload/ruling.py",
        "tuple(filter(lies, sources))", "()", "workflows/test_rules_of_an_offload.py::on_the_card_does_not_rule",
    ),
    Protection(
        "a card whose own production file is named is refused", "workflows/offload/job.py",
        "tree is None and path in order.ruled_from and order.production_path is not None", "False",
        "workflows/test_rules_of_an_offload.py::own_production_file_is_named",
    ),
    Protection(
        "a production file on a destination rules only when named", "workflows/offload/ruling.py",
        "tuple(filter(lies, destinations))", "()",
        "workflows/test_rules_of_an_offload.py::on_a_destination_rules_only",
    ),
    Protection(
        "a stricter record is named where it decides", "proof/policy.py", "if each.copies > found.copies:",
        "if False:", "workflows/test_rules_of_an_offload.py::came_in_by_an_earlier_offload_is_named",
    ),
    Protection(
        "a stricter record holds until a person says otherwise", "workflows/may_wipe/count.py",
        "if any(asked.source for asked in required_by.values()) and card.takes(FEWER):", "if True:",
        "workflows/test_rules_of_an_offload.py::lowered_to_todays_only_by_name",
    ),
    # --- what no listing shows
    Protection(
        "a stream of 1 MiB keeps the card", "proof/streams.py", "part.size_bytes >= STREAM_BYTES", "False",
        "workflows/test_named_parts.py::large_stream_keeps_the_card_until_it_is_accepted_by_name[windows]",
    ),
    Protection(
        "a stream of unknown size keeps the card", "proof/streams.py",
        "return part.media or part.size_bytes is None or part.size_bytes >= STREAM_BYTES",
        "return part.media or (part.size_bytes or 0) >= STREAM_BYTES",
        "workflows/test_named_parts.py::large_stream_keeps_the_card_until_it_is_accepted_by_name[xattr]",
    ),
    Protection(
        "a small stream with the name of a clip keeps the card", "card/named_parts.py", "if is_media(part.name):",
        "if False:", "workflows/test_named_parts.py::small_stream_keeps_the_card_only_with_media_in_it[A003C009",
    ),
    Protection(
        "a small stream that begins like a clip keeps the card", "card/named_parts.py",
        "return container is not None and container.name != SIDECAR", "return False",
        "workflows/test_named_parts.py::small_stream_keeps_the_card_only_with_media_in_it[innocent",
    ),
    Protection(
        "streams among an operating system's own files are found", _CARD,
        "entries |= {path, *(inner for inner, _, _ in walk_litter(io, card.root, path, budget, cancel))}", "pass",
        "workflows/test_named_parts.py::among_an_operating_systems_own_files",
    ),
    Protection(
        "streams are looked for again at the end", _CARD, "elif look_for_parts(io, card, cancel) != card.parts:",
        "elif False:", "workflows/test_named_parts.py::comes_while_the_card_is_judged",
    ),
    Protection(
        "a mount that shows no streams of NTFS says so", "proof/streams.py",
        "return Sight.NOT_SHOWN if file_system in _WITH else Sight.NONE", "return Sight.NONE",
        "workflows/test_named_parts.py::mount_that_cannot_show_streams",
    ),
    # --- where copies go, and when a drive may be unplugged
    Protection(
        "a place under a usual mount root is not the system's", "proof/location.py",
        "facts.on_system and facts.under_mount_root", "False",
        "proof/test_location.py::what_is_said_of_a_place",
    ),
    Protection(
        "a drive of the production file is not the system's volume", "proof/location.py",
        "facts.on_system and facts.named", "False", "workflows/test_drive_not_there.py::unmounted_drive",
    ),
    Protection(
        "a path where a drive was seen is not the system's", "proof/location.py",
        "facts.on_system and _is_other(facts.last_at_path, facts)", "False",
        "workflows/test_drive_not_there.py::a_path_where_a_drive_was_seen",
    ),
    Protection(
        "where drives are is remembered before anything is written", "workflows/offload/roll.py",
        "if computer is not None:", "if False:",
        "workflows/test_drive_not_there.py::first_run_that_was_killed",
    ),
    Protection(
        "a drive that another run is at work on stays plugged in", "proof/unplugging.py",
        "facts.other_run is True", "False", "workflows/test_unplugging.py::another_run_writes_to",
    ),
    Protection(
        "nobody but its owner writes a record", "storage/posix.py",
        "flags, 0o644, dir_fd=folder", "flags, 0o666, dir_fd=folder", "workflows/test_permissions.py::never_writable",
    ),
    # --- an offload that was begun
    Protection(
        "an offload is remembered before its first byte", "workflows/offload/roll.py",
        "begun = begin_copies(source, targets.drives, order, destinations.day, ctx)", "begun = []",
        "workflows/test_unfinished.py::told_until_the_pasted_command_has_finished_it and killed",
    ),
    Protection(
        "… until all of it is there", "workflows/offload/begun.py",
        'if lanes[at.drive].failure is None and lanes[at.drive].state in ("proven", "copied")', "if True",
        "workflows/test_unfinished.py::told_until_the_pasted_command_has_finished_it and ctrl",
    ),
    Protection(
        "an offload that is still at work is told as that", "proof/begun.py",
        "    if facts.running:\n        return \"at work\"\n", "", "workflows/test_unfinished.py::still_is_at_work",
    ),
    Protection(
        "what a stopped offload left is not called a stranger's", "workflows/audit/look.py",
        "        if self._copy.unfinished:\n", "        if False:\n",
        "workflows/test_unfinished.py::told_until_the_pasted_command_has_finished_it and killed",
    ),
    # --- what nobody may forget, where rolls are shown
    Protection(
        "a report begins with what is not finished", "workflows/report/job.py",
        "        findings += unfinished\n", "        unfinished = []\n",
        "workflows/test_unfinished.py::beside_a_finished_roll",
    ),
    Protection(
        "a permit says nothing of a card that was used again", "proof/permits.py",
        "if any(use.at > permit.at and use.listing not in before for use in same):", "if False:",
        "workflows/test_permit_of_one_listing.py::used_again_says_so",
    ),
    Protection(
        "open findings about cards lead the report", "workflows/report/job.py",
        "open_findings=open_findings(chosen),", "open_findings=[],",
        "workflows/test_report_leads.py::leads_the_report",
    ),
    Protection(
        "a page with open findings does not say ALL PROVEN", "reports/page.py",
        'return "COPIES PROVEN, FINDINGS OPEN." if report.open_findings else "ALL PROVEN."', 'return "ALL PROVEN."',
        "workflows/test_report_leads.py::leads_the_report",
    ),
    # --- one physical thing counts once
    Protection(
        "absent copies are judged by what was seen since", _MAY_WIPE,
        "        refuse_absent(ledger, self.copies, look.attached)\n", "",
        f"{_ONCE}::another_dock",
    ),
    Protection(
        "a copy that was seen at another place does not count at the old one", _IDENTITY,
        "if copy.founder is not None and copy.founder in founders:", "if False:",
        f"{_ONCE}::moved_to_another_drive",
    ),
    Protection(
        "a volume that was seen through another device does not count at the old one", _IDENTITY,
        "if copy.drive.volume is not None and copy.drive.volume == other.volume:", "if False:",
        "proof/test_identity.py::absent_copy_beside",
    ),
    Protection(
        "drives without names of their own must have been here together", _IDENTITY,
        "if doubt is None and not _told_apart(copy, other, seen, doubled):", "if False:",
        f"{_ONCE}::formatted_and_offloaded",
    ),
    Protection(
        "… since the later of the two was proven", _IDENTITY,
        "return all(copy.proven_at is not None and copy.proven_at <= together for copy in (one, other))", "return True",
        "proof/test_identity.py::absent_copy_beside",
    ),
    Protection(
        "a device that is seen with another file system no longer holds what it held", "ledger/identities.py",
        "    for copy_id in found.void:\n        gone(connection, copy_id, at)\n", "",
        f"{_ONCE}::void_once",
    ),
    Protection(
        "a clock that runs behind counts no absent copy", "workflows/may_wipe/absent.py",
        "later = later_than_now(facts, now)", "later = None",
        f"{_ONCE}::clock_that_was_put_back",
    ),
    Protection(
        "what was seen before a clock was confirmed does not count", "ledger/identities.py",
        'connection.execute(tables.copies.update().values(seen_by=""))', "pass",
        f"{_ONCE}::clock_that_was_put_back",
    ),
    Protection(
        "an addition repeats the identity of its copy", "workflows/offload/evidence.py",
        "founded_by=at.founded_by,", "founded_by=None,",
        f"{_ONCE}::addition_names",
    ),
    Protection(
        "a copy of the ledger is kept before its form changes", _OPENING,
        "        _keep_copy(ledger, station, now, steps)\n", "",
        "legacy/test_kept_set.py::kept_as_it_was",
    ),
    # --- may-wipe: the identity of a listing
    Protection(
        "the boot and the disk sequence number are those of the offload", _OFFLOADS,
        "and (then.boot_id, then.disk_sequence) == (boot, sequence)\n", "\n",
        f"{ALONE}::another_boot or another_disk_sequence",
    ),
    Protection(
        "the card is mounted where it was", _OFFLOADS,
        "and then.mount_point == card.volume.mount_point\n", "\n", f"{ALONE}::another_mount_point",
    ),
    Protection(
        "the volume has the serial number it had", _OFFLOADS,
        "and then.serial == card.volume.serial\n", "\n", f"{ALONE}::another_volume_serial",
    ),
    Protection(
        "the device number is the one it had", _OFFLOADS,
        "and then.device_number == card.volume.st_dev\n", "\n", f"{ALONE}::another_device_number",
    ),
    Protection(
        "what is unknown is not the same", _OFFLOADS,
        "and None not in (boot, sequence, then.serial)\n", "\n", f"{ALONE}::unknown_then_and_is_unknown_now",
    ),
    Protection(
        "the listing stands on two reads from the medium", _OFFLOADS,
        "sum(read is Evidence.MEDIUM for read in then.reads) >= 2", "True", f"{ALONE}::read_once_is_read_again",
    ),
    Protection(
        "the offload was this station's own", _OFFLOADS, "offload.ours\n", "True\n", f"{TABLE}::the_ledger_was_rebuilt",
    ),
    Protection(
        "two runs over one listing that read different bytes", _OFFLOADS,
        "return []  # two runs over one listing", "pass  #", f"{ALONE}::two_offloads_of_one_listing",
    ),
    Protection(
        "a read of the card that a cache answered", _OFFLOADS,
        "if weak:\n", "if False:\n", f"{ALONE}::a_card_that_a_cache_answers_for_is_kept",
    ),
    Protection(
        "a card of another production", _MAY_WIPE,
        "self.reasons += about_production(offloads, rules)", "pass", f"{TABLE}::a_card_of_another_production",
    ),
    Protection(
        "the card is looked at once more in the end", _MAY_WIPE,
        "if changed is not None:", "if False:", f"{ALONE}::exchanged_while_it_is_judged",
    ),
    # --- the card
    Protection(
        "the same folder is open in the end", _CARD,
        "(now.device, now.inode) != (then.device, then.inode)", "False", f"{ALONE}::other_files_in_its_place",
    ),
    Protection(
        "the same medium is there in the end", _CARD,
        "(volume.serial, volume.device.disk_sequence) != (card.volume.serial, card.volume.device.disk_sequence)",
        "False", f"{ALONE}::a_clone_in_its_place or the_next_plugging_in",
    ),
    Protection(
        "the same listing is there in the end", _CARD,
        "take_snapshot(io, fresh, IgnoreRules(), cancel=cancel).listing_digest != card.snapshot.listing_digest",
        "False", f"{ALONE}::one_file_dated_anew",
    ),
    Protection(
        "a card is the root of its own mount", _CARD,
        'if not volume.is_mount_root or volume.mount_root not in (b"/", b""):', "if False:",
        f"{TABLE}::an_empty_folder_where or a_folder_on_the_card or mounted_on_its_own",
    ),
    Protection(
        "other partitions that cannot be told", _CARD, "if others is None:\n", "if others is None:\n        return\n",
        f"{ALONE}::other_partitions_cannot_be_told",
    ),
    Protection(
        "another partition that was not judged", _CARD, "if not other.is_system:", "if False:",
        f"{ALONE}::another_partition_is_kept",
    ),
    Protection(
        "something mounted inside the card", _CARD, "for mount in inside:", "for mount in ():",
        f"{TABLE}::something_is_mounted_inside",
    ),
    Protection(
        "a question about the medium that fails", _CARD,
        "    except OSError as error:\n        yield keep(\n            Kind.OTHER_PARTITION,",
        "    except OSError as error:\n        return\n        yield keep(\n            Kind.OTHER_PARTITION,",
        f"{ALONE}::cannot_be_told_what_is_mounted_inside",
    ),
    Protection(
        "footage among an operating system's files", _CARD,
        "if kind is EntryKind.FILE and size < _HIDDEN_BYTES and not media:", "if kind is EntryKind.FILE:",
        f"{TABLE}::among_litter",
    ),
    Protection(
        "what cannot be judged among an operating system's files", _CARD,
        "            else:\n                yield keep(\n                    Kind.UNREADABLE,\n",
        "            elif kind is None:\n                yield keep(\n                    Kind.UNREADABLE,\n",
        f"{ALONE}::a_pipe_among",
    ),
    Protection(
        "what the production leaves out", _CARD,
        '        text = shown(path)\n        if not card.takes(Subject("path", text)):',
        "        text = shown(path)\n        if False:",
        f"{TABLE}::a_file_that_the_production_leaves_out",
    ),
    Protection(
        "space that no file explains", _CARD, "if left > slack and", "if False and",
        f"{TABLE}::space_that_no_file_explains",
    ),
    Protection(
        "links, special files and what cannot be read on the card", _CARD,
        "if not _is_accepted(card, finding):", "if False:",
        f"{TABLE}::a_link_on_the_card or a_special_file_on_the_card",
    ),
    Protection(
        "a name that means several findings accepts none of them", _MAY_WIPE,
        "self.reasons += [_unclear(each, card) for each in blurred]", "pass",
        f"{TABLE}::a_short_name_that_two_damaged_clips_have",
    ),
    Protection(
        "a card that must be read again may not be pulled", "copying/engine.py",
        "read_again=not self._is_settled()", "read_again=False",
        "copying/test_engine.py::has_to_be_read_again",
    ),
    # --- what nobody may forget
    Protection(
        "what was wrong with a card is found until it is accepted", "workflows/audit/accepted.py",
        "finding = Finding(found.kind, Severity.ERROR,", "finding = Finding(found.kind, Severity.NOTE,",
        "workflows/test_accepting.py::found_by_every_audit",
    ),
    Protection(
        "what no drive takes is not accepted", "workflows/audit/accepted.py",
        "for each in here if self._beside_copies(io, roll, here, signer, tell) else ():",
        "for each in here if self._beside_copies(io, roll, here, signer, tell) or True else ():",
        "workflows/test_accepting.py::what_no_drive_takes",
    ),
    Protection(
        "nobody accepts without a name", "workflows/audit/accepted.py",
        "if not self.request.person.name.strip():", "if False:",
        "workflows/test_accepting.py::nobody_accepts",
    ),
    Protection(
        "a stranger that a verify noted is nothing that a copy must hold", "copies/recorded.py",
        "    while path is not None:\n        if path not in strangers:",
        "    while path is not None:\n        if True:",
        "workflows/test_audit.py::stays_a_stranger",
    ),
    Protection(
        "nothing is written behind a record of a later version", "workflows/verify/append.py",
        "if any(odd.kind is Kind.NEWER_VERSION for odd in work.papers.chain.findings):", "if False:",
        "workflows/test_audit.py::later_version",
    ),
    # --- a copy
    Protection(
        "somebody else's lock on a copy", _EXAMINE, "if not try_lock(io, copy.handle):", "if False:",
        f"{TABLE}::another_process_is_at_work",
    ),
    Protection(
        "the marker of an unfinished offload", _EXAMINE,
        "if exists(io, copy.handle, MARKER_NAME) is not None:", "if False:",
        f"{TABLE}::a_copy_whose_offload_was_not_finished",
    ),
    Protection(
        "the ledger's memory of the chain", _EXAMINE, 'lost=lost[0].detail if lost else ""', 'lost=""',
        f"{ALONE}::older_state_does_not_count_where_the_ledger",
    ),
    Protection(
        "the ledger's word: a verify that failed", _COPY,
        "stands = (memory.gone or memory.bad) and not memory.newer_word",
        "found, stands = '', memory.gone and not memory.newer_word",
        f"{ALONE}::remembered_here_alone",
    ),
    Protection(
        "the ledger's word: a roll that was gone", _COPY,
        "stands = (memory.gone or memory.bad) and not memory.newer_word", "stands = False",
        f"{ALONE}::found_gone_once",
    ),
    Protection(
        "a permit is no newer word", "records/chain.py",
        'if link.kind in ("offload", "verify", "receive"))', ")", f"{ALONE}::permit_of_another_station",
    ),
    Protection(
        "what was found wrong is told to the ledger", _LOOK,
        "        self._tell(view)\n        return view", "        return view",
        f"{TABLE}::does_not_count_again_by_being_unplugged",
    ),
    Protection(
        "a roll that is gone is told to the ledger", _LOOK,
        "if known.gone_at is None:  # its proof", "if False:  # its proof", f"{ALONE}::found_gone_once",
    ),
    Protection(
        "another file system inside the roll folder", _EXAMINE,
        "if io.fstat(handle).device != io.fstat(top).device:", "if False:",
        f"{TABLE}::another_drive_is_mounted_over",
    ),
    Protection(
        "the size of a copy's files", _EXAMINE, " or there.size != row.size:", ":",
        f"{ALONE}::under_its_own_date",
    ),
    Protection(
        "a report leaves out copies that were seen since as something else", "workflows/report/job.py",
        "doubled.leave_out(found)", "pass",
        "workflows/test_one_thing_counts_once.py::another_dock",
    ),
    Protection(
        "deleted records are told by every audit, also after a verify", "workflows/audit/known.py",
        "said = [each for each in loss_findings(losses, shown(copy.path)) if each.kind not in by_itself]",
        "said = [replace(each, drive=shown(copy.path)) for each in compare_with_memory(copy.chain, remembered)]",
        "workflows/test_two_histories.py::one_answer_from_every_audit",
    ),
    # --- the two histories beside a copy
    Protection(
        "a manifest dropped with its entry in the chain is missed by the records", "copies/beside_records.py",
        "return [*own, *compared]", "return own",
        "workflows/test_two_histories.py::missed_by_the_records",
    ),
    Protection(
        "a manifest replaced along with the chain is not the one its record names", "proof/histories.py",
        "if found.c4 != named.c4:", "if False:",
        "proof/test_histories.py::two_histories",
    ),
    Protection(
        "an audit compares records and manifests as the others do", "workflows/audit/look.py",
        "for odd in history_findings(papers.history, chain)]", "for odd in papers.history.findings]",
        "workflows/test_two_histories.py::missed_by_the_records",
    ),
    Protection(
        "the date of a copy's files", _EXAMINE,
        "if not same_time(there.modified_ns, row.modified_ns, limits):", "if False:", f"{ALONE}::with_another_date",
    ),
    Protection(
        "a link in the place of a copy's file", _EXAMINE,
        "if there.kind is not EntryKind.FILE or there.size", "if there.size", f"{ALONE}::a_link_of_just_that_length",
    ),
    Protection(
        "a copy's file that is missing", _EXAMINE,
        "return ListingFacts(len(rows), here, missing=Paths(1, shown(path), said(error)))", "continue",
        f"{ALONE}::that_is_not_there",
    ),
    Protection(
        "a small file is written to the drive just now", _EXAMINE,
        "_write_small_file(self.ctx.io, copy.handle)", "pass", f"{TABLE}::turned_read_only_by_itself",
    ),
    Protection(
        "a write-protected drive's records are read from its medium", _EXAMINE,
        "return self._records_from_medium(copy, facts)", "return DriveFacts(Answer.GIVES)",
        f"{TABLE}::record_went_bad_on_the_medium",
    ),
    Protection(
        "copies are read again when that is asked for", _COPY,
        "looks | {Look.CONTENT} if rules.reread_copies else looks", "looks",
        f"{TABLE}::and_the_copies_are_read_again",
    ),
    Protection(
        "what was not looked at does not count", _COPY,
        "if look is not None and look in wanted and _not_made(facts, look):", "if False:",
        "proof/test_copy.py::not_looked_at",
    ),
    Protection(
        "nothing is written to a copy on the card's own device", _COPY,
        "            *_CARD,\n        ),\n    ),\n    (\n        Look.DRIVE,",
        "        ),\n    ),\n    (\n        Look.DRIVE,",
        "proof/test_copy.py::dear_looks",
    ),
    # --- absent copies
    Protection(
        "an absent copy that was gone when last seen", _COPY,
        "    _Reason(\"away\", None, _gone_when_last_seen),\n", "",
        f"{ALONE}::absent_drive_that_was_last_seen_without",
    ),
    Protection(
        "a ledger of another machine or an older one put back", _COPY,
        "    _Reason(\"away\", None, _not_seen_here),\n", "",
        f"{ALONE}::older_ledger_that_was_put_back",
    ),
    Protection(
        "an absent copy that was only copied", _COPY,
        "    _Reason(\"away\", None, _not_proven_then),\n", "",
        f"{ALONE}::only_copied_does_not_count",
    ),
    Protection(
        "an absent copy seen in the future", _COPY, "    _Reason(\"away\", None, _in_the_future),\n", "",
        f"{ALONE}::counts_for_a_day",
    ),
    Protection(
        "an absent copy seen too long ago", _COPY, "    _Reason(\"away\", None, _too_long_ago),\n", "",
        f"{ALONE}::counts_for_a_day",
    ),
    Protection(
        "a device that was formatted anew", _LOOK,
        "here = any(share_a_device(device, volume.device) for volume in volumes)", "here = False",
        f"{TABLE}::a_drive_that_was_formatted_anew",
    ),
    # --- counting
    Protection(
        "the card's own device", _COPIES, "else bool(shared)", "else False",
        f"{TABLE}::a_copy_on_the_cards_own_device",
    ),
    Protection(
        "a card whose device cannot be told", _COPIES,
        "return None if shared is None and card.device.key is None else", "return",
        f"{ALONE}::own_device_cannot_be_told",
    ),
    Protection(
        "one device counts once", _DEVICES, "return bool(are_one(one, other))", "return False",
        "proof/test_counting_devices.py",
    ),
    Protection(
        "an image on an unknown disk counts with unknown devices", _DEVICES,
        "return known.key is None or known.key.startswith(_UNKNOWN_BENEATH)", "return False",
        "proof/test_counting_devices.py",
    ),
    Protection(
        "an image is the drive it lies on", _DEVICES,
        'return (lower.key if lower is not None else None), "loop", True', 'return own_key, "loop", False',
        "drives/test_drives_linux.py::image_is_the_drive",
    ),
    Protection(
        "an image in memory is no device", _DEVICES,
        'return None, "memory", False', 'return own_key, "loop", False',
        "drives/test_drives_linux.py::image_is_the_drive",
    ),
    Protection(
        "another drive's cache may answer for an image", "drives/ways.py", " or device.cached_beneath", "",
        "drives/test_drives_linux.py::image_is_the_drive",
    ),
    Protection(
        "a detached image is still in the cache beneath", "workflows/verify/work.py",
        "not now.device.cached_beneath and ", "", "drives/test_what_lies_beneath.py::image_that_was_detached",
    ),
    Protection(
        "a FUSE mount's own word about its device", "drives/linux.py",
        'mount.file_system == "btrfs"', 'mount.file_system.startswith(("btrfs", "fuse"))',
        "drives/test_drives_linux.py::only_says_what_it_is",
    ),
    Protection(
        "a FUSE mount's own word about its kind", "drives/linux.py",
        'return "fuse" if mounted_as in THROUGH_DEVICE_PAGES else mounted_as', "return mounted_as",
        "drives/test_drives_linux.py::only_says_what_it_is",
    ),
    Protection(
        "memory is no device", _DEVICES, 'device.kind != "memory" and ', "", "proof/test_counting_devices.py",
    ),
    Protection(
        "a disk image counts with the disk it lies on", _DEVICES,
        "return True if shared is False and (_lies_on(one, other) or _lies_on(other, one)) else shared",
        "return shared", "proof/test_counting_devices.py",
    ),
    Protection(
        "a copy holds just the content of the card", _COUNT,
        "return bool(shared) and all(read[name] == row.hashes[name] for name in shared)", "return True",
        f"{ALONE}::two_offloads_of_one_listing or identity",
    ),
    Protection(
        "one copy from a medium is attached", _COUNT, "unattached.append(entry)", "pass",
        f"{ALONE}::server_answered_for",
    ),
    Protection(
        "today's policy", _RULES, "copies_required=production.copies_required,", "copies_required=2,",
        f"{TABLE}::a_policy_that_is_stricter_today",
    ),
    Protection(
        "today's evidence", "proof/policy.py", "return frozenset(self.accepted)", "return frozenset(ACCEPTED_EVIDENCE)",
        f"{_ONE_POLICY}::not_accepted_any_more",
    ),
    Protection(
        "today's evidence in an audit", "workflows/audit/look.py", "accepted=accepted, folder=here", "folder=here",
        f"{_ONE_POLICY}::audited",
    ),
    Protection(
        "today's evidence in a report", "workflows/report/drives.py", "accepted=accepted, folder", "folder",
        f"{_ONE_POLICY}::reported",
    ),
    Protection(
        "a card never says how it is judged", _RULES, "if card is not None and lies_with(path, card, drives):",
        "if False:", f"{_ONE_POLICY}::never_says_how",
    ),
    Protection(
        "a drive's own file does not rule unnamed", _RULES,
        "any(lies_with(path, drive, drives) for drive in judged) if not named else False", "False",
        f"{_ONE_POLICY}::does_not_take_its_rules",
    ),
    Protection(
        "the file beside a copy does not rule a card unnamed", _MAY_WIPE, "        if beside:\n", "        if False:\n",
        f"{_ONE_POLICY}::drive_that_is_judged_rules_only",
    ),
    Protection(
        "what the newest record on a drive asked for", _COUNT,
        "recorded[view.roll_id].append(Required(view.copies_required, f\"the record on {inert(view.drive)}\"))", "pass",
        f"{ALONE}::newest_record_asks_for_more",
    ),
    Protection(
        "what an earlier offload asked for", "ledger/remembering_offloads.py",
        "strictest = max(known.copies_required, note.copies_required)", "strictest = note.copies_required",
        f"{ALONE}::earlier_offload_of_the_roll",
    ),
    Protection(
        "what a sibling's permit remembers", _MAY_WIPE, "believe_siblings(self.copies)", "pass",
        f"{TABLE}::only_a_siblings_permit_remembers",
    ),
    # --- the permit, and the read that is supplied
    Protection(
        "a permit that cannot be written everywhere", _MAY_WIPE,
        "if trouble is not None:\n            self.reasons.append(trouble)", "if False:\n            pass",
        f"{TABLE}::permit_is_written or every_drive_is_write_protected",
    ),
    Protection(
        "what was written of such a permit is withdrawn", _PERMIT,
        "_withdraw(in_time, ledger, written, person, why, signer)", "pass", f"{TABLE}::permit_is_written",
    ),
    Protection(
        "only a card that holds it supplies a second read", _SUPPLY,
        "or not _is_what_was_read(card, read, view)", "", f"{ALONE}::supplies_no_second_read",
    ),
    Protection(
        "only a read from the medium is supplied", _SUPPLY,
        " or read.evidence(number) is not Evidence.MEDIUM", "", f"{ALONE}::a_cache_answered_supplies_nothing",
    ),
    # --- what records say
    Protection(
        "a failed verify withdraws the proof", _STANDING,
        'self._withdrawn = f"{name} found that this copy is not as recorded."', "pass",
        f"{ALONE}::failed_verify_at_another_station",
    ),
    Protection(
        "a proof belongs to one device", _STANDING,
        "self._matches = same_device(copy, self._now) and self._folder in (None, copy.folder)", "self._matches = True",
        f"{ALONE}::dragged_to_another_drive",
    ),
    Protection(
        "a proof belongs to one folder", _STANDING,
        " and self._folder in (None, copy.folder)", "", f"{TABLE}::copied_on_its_own_drive",
    ),
    Protection(
        "a chain that is not whole proves nothing", _STANDING,
        "        if not self._chain.whole:\n            remedy", "        if False:\n            remedy",
        "records/test_record_standing.py::a_broken_chain",
    ),
    Protection(
        "the card was read twice", "records/newest_words.py",
        "return self.header.of_copy or sum(read in accepted for read in self.source_reads) >= SOURCE_PASSES",
        "return True", "records/test_record_standing.py::newest_word",
    ),
    Protection(
        "a verify that did not read all of it lifts nothing", _STANDING,
        "if header.totals.files - header.totals.unknown < self._known_files():", "if False:",
        "records/test_record_standing.py::newest_word",
    ),
    Protection(
        "an older ledger is known by its generation", _OPENING,
        'remembered > int(known.get("generation", "0"))', "False", f"{ALONE}::older_ledger_that_was_put_back",
    ),
    # --- the offload and what it stands on
    Protection(
        "the second read of the card is compared", "proof/board.py", "if first == second:", "if True:",
        "copying/test_engine.py::answers_differently_the_second_time",
    ),
    Protection(
        "what is read back is compared", "proof/board.py", "if back == first:", "if True:",
        "copying/test_engine.py::a_bit_flipped_on_its_way_to_one_drive",
    ),
    Protection(
        "the read-back passes the cache by", "storage/posix.py",
        "fcntl.fcntl(handle, fcntl.F_SETFL, fcntl.fcntl(handle, fcntl.F_GETFL) | _O_DIRECT)", "pass",
        "storage/test_posix.py::direct",
    ),
    Protection(
        "nothing is replaced by a rename", "storage/posix.py", "new, _RENAME_NOREPLACE) == 0", "new, 0) == 0",
        "storage/test_io_contract.py::rename",
    ),
    Protection(
        "a flush that failed is final", "storage/files.py", "        io.flush(handle)\n        closing",
        "        with contextlib.suppress(OSError):\n            io.flush(handle)\n        closing",
        "storage/test_files.py::flush or whichever",
    ),
    Protection(
        "a folder's flush that failed is final", "storage/files.py",
        "if error.errno != errno.EINVAL:\n            raise",
        "pass", "storage/test_files.py::whichever",
    ),
    Protection(
        "a paper is read back before it gets its name", "storage/files.py",
        "        check_as_written(io, folder, temporary, size, digest, final=name, medium=medium)\n        if replace",
        "        if replace", "workflows/test_papers_stored_wrong.py::",
    ),
    Protection(
        "what a new record refers to is read twice", "storage/readback.py",
        "if digest.hexdigest() != sha256:\n        raise ReadsDiffer(name)", "pass", "records/test_read_twice.py::",
    ),
    Protection(
        "no link is followed on the way down", "storage/posix.py",
        "_FOLDER_FLAGS | os.O_NOFOLLOW, dir_fd=folder", "_FOLDER_FLAGS, dir_fd=folder",
        "storage/test_io_contract.py::link",
    ),
    Protection(
        "no path leaves its folder", "storage/files.py", 'if part in (b"", b".", b".."):', "if False:",
        "storage/test_files.py::",
    ),
    Protection(
        "the card is looked at once more after its last read", "workflows/offload/card_source.py",
        "        if problem is not None or after is None:\n            finding = error(",
        "        if after is None:\n            return []\n        if False:\n            finding = error(",
        "faults/test_card_changes.py::another_card_at_the_same_mount_point",
    ),
    Protection(
        "one offload at a time has a roll's lock", "copies/roll_lock.py", "return io.lock(handle)",
        "return True", f"{TABLE}::another_process_is_at_work",
    ),
    Protection(
        "the roll folder lies on the drive that was chosen", "workflows/offload/found.py",
        "if not is_on_the_drive(io, at, handle):", "if False:",
        "faults/test_hostile_places.py::in_the_place_of_the_roll_folder",
    ),
    Protection(
        "the roll folder that was made lies on the drive that was chosen", "workflows/offload/target.py",
        "if not is_on_the_drive(io, at, handle):", "if False:",
        "faults/test_hostile_places.py::appears_there_after_the_look",
    ),
    Protection(
        "a link in the place of the newest record", "records/store.py",
        "records.append(record if kind is EntryKind.FILE else replace(record, is_file=False))",
        "records += [record] if kind is EntryKind.FILE else []",
        "records/test_record_chain.py::each_way",
    ),
    Protection(
        "a record that is missing from the middle of a chain", "records/chain.py", "if number > expected:", "if False:",
        "records/test_record_chain.py::each_way",
    ),
    Protection(
        "two records that were swapped", "records/chain.py", "if header.sequence != link.sequence:", "if False:",
        "records/test_record_chain.py::each_way",
    ),
    Protection(
        "a record that was changed", "records/chain.py",
        "elif before and not any(self.links[other].sha256 == link.previous_sha256 for other in before):", "elif False:",
        "records/test_record_chain.py::each_way",
    ),
    Protection(
        "a record of another roll", "records/chain.py", "if header.roll != roll:", "if False:",
        "records/test_record_chain.py::each_way",
    ),
    Protection(
        "a record nested without end", "records/lines.py",
        'if piece.count(b"[") + piece.count(b"{") > MAX_DEPTH and _depth(piece) > MAX_DEPTH:', "if False:",
        "records/test_record_hostile.py::",
    ),
    Protection(
        "what comes from outside is inert on a screen", "models/names.py",
        'return _INERT.sub(lambda match: f"\\\\u{{{ord(match.group()):x}}}", text)', "return text",
        "hostile/test_names.py::inert",
    ),
    Protection(
        "a path out of its folder in a manifest or record", "models/names.py",
        'return all(part not in (b"", b".", b"..") for part in path.split(b"/"))', "return True",
        "hostile/test_papers.py::a_finding",
    ),
    # --- histories around rolls, and drives inside drives
    Protection(
        "an audit misses a roll that the history around it knows", "workflows/audit/around.py",
        "found += by_roll(check_references(history, inner).all(), history, each.inner)", "pass",
        f"{_AROUND}::missed_by_every_command",
    ),
    Protection(
        "a handover misses a roll that the history around it knows", "workflows/custody/handover.py",
        "around = any(finding.severity is Severity.ERROR for finding in self._around)", "around = False",
        f"{_AROUND}::dropped_from_an_archive_of_ours",
    ),
    Protection(
        "an audit that reads again reads the files of a history around rolls", "workflows/audit/to_read.py",
        "elif not copy.place.lost:", "elif False:", f"{_AROUND}::another_byte_in_one_of_them",
    ),
    Protection(
        "each roll in somebody's history of a day has its own line in a handover", "copies/nesting.py",
        "return Around(path, tuple(inner), bool(own)) if around else None", "return None",
        f"{_AROUND}::its_own_line_in_a_handover",
    ),
    Protection(
        "a roll in somebody's history of a day is damaged where its file is", "workflows/audit/parts.py",
        "differ = [path for path in found.differ if path.startswith(start)]", "differ = []",
        f"{_AROUND}::another_byte_in_such_a_day",
    ),
    Protection(
        "rolls of a drive that is mounted in a drive do not leave with it", "workflows/custody/rolls.py",
        "outer=True, elsewhere=frozenset(mounted))", "outer=True)",
        "workflows/test_drive_in_a_drive.py::neither_handed_over_nor_received",
    ),
    Protection(
        "nor are they on its packing list", "copies/roll_histories.py",
        "elsewhere=frozenset(mounted)", "elsewhere=()",
        "workflows/test_drive_in_a_drive.py::on_no_packing_list",
    ),
    Protection(
        "copies that have no hash in common do not count together", "workflows/audit/against.py",
        "copy.apart = True", "copy.apart = False", f"{_AROUND}::nobody_has_compared",
    ),
    Protection(
        "another content of the same size is no copy", "workflows/audit/against.py",
        "if raw_of(self.algorithm, text) != raw_of(self.algorithm, pair[1]):", "if False:",
        f"{_AROUND}::where_nothing_can_be_written_down",
    ),
    Protection(
        "a record is compared with a card that was read before it", "proof/board.py",
        "copies.expected.set(number, expected)\n            self._compare_copy(drive, copies, number)",
        "copies.expected.set(number, expected)", "copying/test_board.py::whichever_came_first",
    ),
    Protection(
        "what did not come whole among others is read anew", "reading/treereader.py", "if came < entry.size:",
        "if False:", "copying/test_files_together.py::test_a_read_that_fails_once",
    ),
    Protection(
        "a file read among others is looked at once more", "reading/treereader.py",
        "segment.fault = segment.fault or self._unchanged(segment.file, entry, opened)", "pass",
        "copying/test_files_together.py::test_a_file_that_grew",
    ),
    Protection(
        "no read handed to the system is left under way", "storage/linux_aio.py",
        "                self.close()\n                with contextlib", "                with contextlib",
        "storage/test_linux_aio.py::test_when_the_answers_cannot_be_had",
    ),
    Protection(
        "a turn in which a call hangs is taken over", "reading/turns.py",
        "if self._holder is None or time.monotonic() - self._since >= self._patience:", "if False:",
        "copying/test_turns.py::test_a_turn_in_which_a_call_hangs",
    ),
    Protection(
        "a drive slow in its turns works apart", "reading/turns.py",
        "if self._worked_seconds < _WORKED_SHARE * self._had_seconds:", "if False:",
        "copying/test_turns.py::test_a_thread_that_waits_for_its_device",
    ),
    Protection(
        "a drive shares its rows only where every file is there", "workflows/offload/evidence.py",
        "if not proven and not (self.board.none_provable() and self.board.all_copied(at.drive)):", "if False:",
        "workflows/test_offload.py::test_a_drive_that_lacks_a_file",
    ),
    Protection(
        "a drive shares its manifest only where every file is there", "workflows/offload/evidence.py",
        "        if not self.board.all_copied(at.drive):\n            return None\n", "",
        "workflows/test_offload.py::test_a_drive_that_lacks_a_file",
    ),
    Protection(
        "all copies are proven only where each is read back from the medium", "proof/board.py",
        "            and sum(copies.evidence.count(rank) for rank in self._accepted) == many\n", "",
        "copying/test_board.py::test_what_is_said_of_all_files",
    ),
    Protection(
        "a copy of what is no camera original is not proven with the rest", "proof/source_rule.py",
        "return all(self._originals)", "return True",
        "workflows/test_copies_of_copies.py",
    ),
    Protection(
        "a small file kept among the file system's own notes is no evidence", "storage/medium.py",
        "return not (0 < size <= MAY_BE_INSIDE_BYTES.get(self._way, 0) and self._io.kept_inside(handle))",
        "return True", "storage/test_medium.py::kept_among_the_file_systems_own_notes",
    ),
    Protection(
        "a small file on btrfs gets blocks that a read-back reaches", "copying/writer.py",
        "if 0 < entry.size <= self._ways.own_blocks_up_to:", "if False:",
        "faults/test_real_drives.py::what_btrfs_would_keep",
    ),
    # --- small files flushed each by itself, several at the same time
    Protection(
        "a small file is flushed before it gets its name", "copying/writer.py",
        "            raised = flush_all(self._io, handles, self._ways.flushes_at_once, self._busy)\n        for place",
        "            raised = [None] * len(handles)\n        for place",
        "copying/test_flushes.py::before_it_was_flushed",
    ),
    Protection(
        "a file whose own flush failed gets no name", "copying/writer.py",
        "                if error is not None:\n", "                if False:\n",
        "copying/test_flushes.py::whose_flush_failed",
    ),
    Protection(
        "what cannot be closed was not written", "copying/writer.py",
        "raised[place] = raised[place] or error", "pass", "copying/test_flushes.py::a_close_that_fails",
    ),
    Protection(
        "no more small files are kept open than are flushed together", "copying/writer.py",
        "files, size = self._together, settings.flush_large_bytes", "pass",
        "copying/test_flushes.py::only_so_many",
    ),
    Protection(
        "what stood there already is flushed", "copying/writer.py",
        "            raised = flush_all(self._io, handles, self._ways.flushes_at_once, self._busy)\n        for error",
        "            raised = []\n        for error",
        "copying/test_flushes.py::found_there_are_flushed",
    ),
    Protection(
        "a slow flush that comes back is no silence", "copying/flushes.py",
        "            came_back()\n", "", "copying/test_flushes.py::as_silent",
    ),
    Protection(
        "without threads each file is flushed all the same", "copying/flushes.py",
        "            except RuntimeError:", "            except ZeroDivisionError:",
        "copying/test_flushes.py::allows_no_more_threads",
    ),
    Protection(
        "no flush is under way any more when its file is closed", "copying/flushes.py",
        "            helper.join()", "            pass", "copying/test_flushes.py::flushed_once",
    ),
    Protection(
        "few files are kept open where few may be", "copying/writer.py",
        "min(settings.flush_open_files, io.open_together)", "settings.flush_open_files",
        "copying/test_flushes.py::where_few_files_may_be_open",
    ),
    # --- bad news is put down the moment it is known
    Protection(
        "a file that differs is put down when it is found", "workflows/verify/copy.py",
        "                reading.differs(files[number].path)", "                pass",
        f"{BAD_NEWS}::kill_9_in_the_last_clip",
    ),
    Protection(
        "a reading is put down before its first byte", "copies/reading_journal.py",
        "        reading.put_down()\n        with self._lock:", "        with self._lock:",
        f"{BAD_NEWS}::killed_before_it_found_anything",
    ),
    Protection(
        "a reading that was not finished counts no absent copy", _COPY,
        "    _Reason(\"away\", None, _unsettled),\n", "",
        f"{BAD_NEWS}::killed_before_it_found_anything",
    ),
    Protection(
        "a drive that hangs while it is read is put down", "workflows/verify/copy.py",
        "            reading.lost(work.findings[-1].detail)", "            pass",
        f"{BAD_NEWS}::a_drive_that_hung",
    ),
    Protection(
        "an offload puts down what it finds in a copy when it is found", "workflows/offload/roll.py",
        "        tell=readings.tell,\n", "",
        f"{BAD_NEWS_OFFLOAD}::killed_in_its_read_back or damage_of_the_source",
    ),
    Protection(
        "an offload puts down that it reads a known copy", "workflows/offload/roll.py",
        "    readings.begin(targets.drives)\n", "", f"{BAD_NEWS_OFFLOAD}::killed_before_it_found or somebody_deleted",
    ),
    Protection(
        "a drive that hangs under an offload is put down at once", "copying/lane.py",
        "        self._side.lost(finding)\n        self._helping.lost(self.drive)\n",
        "        self._helping.lost(self.drive)\n",
        f"{BAD_NEWS_OFFLOAD}::hangs_in_the_read_back",
    ),
    Protection(
        "no record is trusted where bad news stands", "workflows/offload/found.py",
        "        if must_be_read_anew(unsettled):\n", "        if False:\n",
        f"{BAD_NEWS_OFFLOAD}::where_bad_news_stands",
    ),
    Protection(
        "a file that the source of a copy lost is put down whatever comes", "workflows/offload/roll.py",
        "    readings.begin_where_bad()\n", "", f"{BAD_NEWS_OFFLOAD}::though_the_offload_is_refused",
    ),
    Protection(
        "a drive that hangs before it is known is told by its mount", "copies/silent_drive.py",
        "    if volume.device.key is None:\n", "    if False:\n", f"{BAD_NEWS_KEPT}::never_said_which_it_is",
    ),
    Protection(
        "a ledger that is made anew keeps what only the old one knew", "ledger/carrying_over.py",
        "    if rows:\n", "    if False:\n", f"{BAD_NEWS_KEPT}::rebuild_of_the_ledger or damaged_ledger",
    ),
    Protection(
        "a reading whose beginning nobody remembers is an error", "proof/readings.py",
        "return effect is Effect.WITHDRAWS or not was_begun", "return effect is Effect.WITHDRAWS",
        f"{BAD_NEWS_KEPT}::ledger_cannot_remember or full_disk",
    ),
    Protection(
        "no list counts a copy whose reading was not finished", "ledger/asking_rolls.py",
        '        unproven = speaks_against_memory(row["state"], left) != ""\n', "        unproven = False\n",
        f"{BAD_NEWS_KEPT}::lists_say",
    ),
    Protection(
        "what somebody's list shows is put down when it is found", "reading/files.py",
        "                told.file(number, whole)\n", "                pass\n", f"{BAD_NEWS_KEPT}::shows_to_differ",
    ),
    Protection(
        "what differs withdraws, whatever its evidence", "proof/readings.py",
        "    if reading.bad:\n        return Effect.WITHDRAWS\n", "", "proof/test_readings.py::what_a_reading_does",
    ),
    Protection(
        "what agrees settles from the medium only", "proof/readings.py",
        "if reading.everything and reading.evidence in accepted:", "if reading.everything:",
        "proof/test_readings.py::what_a_reading_does",
    ),
    Protection(
        "evidence in a re-read for may-wipe", "proof/readings.py",
        "if any(evidence not in accepted for evidence in evidences):", "if False:",
        "proof/test_readings.py::what_files_read_again_show",
    ),
    Protection(
        "every counted copy is listed again before the answer", _MAY_WIPE,
        "self.reasons += changed_copies(self.used, ledger, self._in_time(), self.now)", "pass",
        "workflows/test_answer_is_about_now.py::on_the_first_drive",
    ),
    Protection(
        "a mount is not older than a sleep of the computer", _MAY_WIPE,
        "        if not seconds:\n", "        if True:\n", "workflows/test_computer_slept.py::after_a_sleep",
    ),
    # --- one among several
    Protection(
        "a sibling's SHA-256 of a record", "workflows/may_wipe/other_copies.py",
        " and link.sha256 == record.sha256", "", f"{ALONE}::another_record_under_the_number",
    ),
    Protection(
        "away since every offload, not one of them", "workflows/verify/work.py",
        "return bool(offloads) and all(", "return bool(offloads) and any(", f"{ALONE}::away_since_the_first_offload",
    ),
    Protection(
        "a newer record of this station must be signed by it", "workflows/custody/arrival.py",
        'return signature.state == "good" and signature.known is not None and signature.known.own',
        'return signature.state == "missing" or (signature.known is not None and signature.known.own)',
        "workflows/test_handover.py::on_the_way_changes_the_receipt",
    ),
    Protection(
        "a drive that is to hold everything is told what it lacks", "proof/holdings.py",
        "absent = tuple(roll.number for roll in meant if drive.number not in roll.on)", "absent: tuple[int, ...] = ()",
        "proof/test_holdings.py::each_drive_is_told",
    ),
    Protection(
        "size and date are no new name where a hash that was read is another", "proof/renamed.py",
        "< max(granularity_ns, 1) and all(_shared(one, other))", "< max(granularity_ns, 1)",
        "proof/test_renamed.py::only_perhaps_by_size_and_date",
    ),
    Protection(
        "a drive that is away explains only the copies it would mend", "proof/absence.py",
        "if _count(roll, roll.away) < roll.required:", "if not roll.away:",
        "proof/test_absence.py::explains_only_what_it_would_mend",
    ),
    Protection(
        "a clone beside its original is called a clone", "proof/clones.py",
        "if not originals.isdisjoint(facts.attached):", "if False:",
        "proof/test_clones.py::itself_a_clone_or_perhaps",
    ),
)  # fmt: skip


def try_without(protection: Protection, *, all_tests: bool = False) -> tuple[str, list[str]]:
    """`noticed`, `NOT NOTICED` or what is wrong with the row itself, and which tests failed."""
    path = ROOT / "src/rollproof" / protection.file
    count = path.read_text(encoding="utf-8").count(protection.line)
    if count != 1:
        return f"STALE: its line stands {count} times in {protection.file}", []
    file, _, words = protection.test.partition("::")
    chosen = (f"tests/{file}", *(("-k", words) if words and not all_tests else ()))
    status, failed = _tests_as_it_is(chosen)
    if status != 0:
        return f"THE TEST FAILS ANYHOW ({status})", failed
    with tempfile.TemporaryDirectory(prefix="without-") as top:
        changed = Path(top) / "src"
        shutil.copytree(ROOT / "src", changed, ignore=shutil.ignore_patterns("__pycache__"))
        target = changed / "rollproof" / protection.file
        target.write_text(target.read_text(encoding="utf-8").replace(protection.line, protection.without), "utf-8")
        status, failed = _tests(chosen, changed)
    if status == 0:
        return "NOT NOTICED", []
    return ("noticed" if status == 1 and failed else f"NO RESULT ({status})"), failed


@functools.cache
def _tests_as_it_is(chosen: tuple[str, ...]) -> tuple[int, list[str]]:
    return _tests(chosen, ROOT / "src")


def _tests(chosen: tuple[str, ...], source: Path) -> tuple[int, list[str]]:
    """Run these tests on that source; pytest's exit status, and the tests that failed."""
    words = ("-q", "-n0", "-rfE", "--no-header", "-p", "no:cacheprovider", "--maxfail=3", *chosen)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *words],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(source)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    told = [line.partition(" ")[2] for line in done.stdout.splitlines() if line.startswith(("FAILED ", "ERROR "))]
    return done.returncode, [name.partition("::")[2].partition(" - ")[0] for name in told]


def main() -> int:
    """Take out what the command line names by a part of its name; everything when it names nothing."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("names", nargs="*", metavar="NAME")
    asked.add_argument("--all-tests", action="store_true")
    told = asked.parse_args()
    chosen = [each for each in PROTECTIONS if not told.names or any(name in each.name for name in told.names)]
    wrong = 0
    for protection in chosen:
        word, failed = try_without(protection, all_tests=told.all_tests)
        wrong += word != "noticed"
        print(f"{word}: without “{protection.name}” {', '.join(failed)}", flush=True)
    print(f"{len(chosen)} protections taken out, {wrong} not noticed")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
