"""Two offloads on one roll folder: one works, the other says why it does not; nothing mixes."""

from __future__ import annotations

import os
import threading
from pathlib import Path

from support.faults import Kill, Rule, Stall
from support.invariants import check_finished
from support.stage import Run, stage


def test_a_second_offload_on_the_same_roll_refuses_and_changes_nothing(tmp_path: Path) -> None:
    with stage(tmp_path) as place:
        released = threading.Event()
        stalled = threading.Semaphore(0)
        first: list[Run] = []
        rules = [
            Rule(Stall(released), "write_from", path=b"*C001.mov*", drive=os.fsencode(path))
            for path in place.drives.values()
        ]

        def work() -> None:
            first.append(place.run(rules, on_fault=stalled.release))

        worker = threading.Thread(target=work)
        worker.start()
        try:
            assert all(stalled.acquire(timeout=10) for _ in rules)
            before = {name: copy.entries for name, copy in place.copies().items()}
            second = place.run()
            assert second.result is not None, second.crash
            assert second.result.verdict in ("refused", "not proven")
            told = [
                *second.result.rolls[0].findings,
                *(finding for at in second.result.rolls[0].destinations for finding in at.findings),
            ]
            assert "locked" in {finding.kind for finding in told}
            assert {name: copy.entries for name, copy in place.copies().items()} == before
        finally:
            released.set()
            worker.join(30)
        assert first[0].result is not None
        assert first[0].result.verdict == "proven"
        for folder in place.folders().values():
            assert check_finished(folder, place.known) == []


def test_the_lock_of_a_dead_process_blocks_nobody(tmp_path: Path) -> None:
    with stage(tmp_path) as place:
        killed = place.run([Rule(Kill(), "write_from", path=b"*C001.mov*")])
        assert killed.killed
        run = place.run()
        assert run.result is not None
        assert run.result.verdict == "proven"
