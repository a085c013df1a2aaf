"""The edge of the program: mistakes, Ctrl-C, closed pipes, drives that hang. Some of it needs a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import click
import pytest

from cli.results import a_finding, a_roll, an_offload, gives, raises
from cli.running import Stream, run_line
from rollproof.cli import app, boundary
from rollproof.cli.session import Job, Session
from rollproof.models.errors import ExitStatus
from rollproof.models.results import OffloadResult
from rollproof.station.context import Context

CARD = ("offload", "/media/A003", "--to", "/mnt/primary")
# the helpers of these tests, and whatever the caller put before the installed package
PATH = os.pathsep.join(filter(None, (str(Path(__file__).parent.parent), os.environ.get("PYTHONPATH"))))


def in_a_process(code: str, *, head: str | None = None, **more: Any) -> subprocess.CompletedProcess[str]:
    """Run Python code in a process of its own; with `head`, its stdout goes to a pipe that this command reads."""
    environ = {**os.environ, "PYTHONPATH": PATH, **more}
    command = [sys.executable, "-c", code]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, env=environ, check=False)


# --- mistakes of ours


def test_a_mistake_is_one_calm_sentence_and_a_file_and_never_a_traceback(station_home: Path) -> None:
    ran = run_line(*CARD, offload=raises(ZeroDivisionError("deep \x1b[31m inside")))
    assert ran.status == 4
    assert "Traceback" not in ran.out + ran.err
    assert "Rollproof made a mistake and stopped. The card was only read." in ran.err
    [crash] = (station_home / "crashes").iterdir()
    assert str(crash) in ran.err
    text = crash.read_text(encoding="utf-8")
    assert "ZeroDivisionError" in text
    assert "/media/A003" in text
    assert "\x1b" not in text


def test_with_json_a_mistake_is_still_one_object() -> None:
    ran = run_line(*CARD, "--json", offload=raises(ZeroDivisionError()))
    answer = json.loads(ran.out)
    assert answer["verdict"] == "not proven"
    assert answer["error"]["id"] == "mistake-in-rollproof"


def test_where_the_station_folder_cannot_be_written_the_crash_file_goes_to_the_temporary_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    ran = run_line(*CARD, offload=raises(ZeroDivisionError()), environ={"ROLLPROOF_HOME": "/dev/null/nowhere"})
    assert ran.status == 4
    assert len(list(tmp_path.glob("crash-*.txt"))) == 1


def test_even_when_no_crash_file_can_be_written_the_words_come(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", "/dev/null/nowhere")
    ran = run_line(*CARD, offload=raises(RecursionError()), environ={"ROLLPROOF_HOME": "/dev/null/nowhere"})
    assert ran.status == 4
    assert "made a mistake and stopped" in ran.err


def test_even_when_the_words_fail_there_is_a_status(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rollproof.cli.failures.failed", raises(MemoryError()))
    assert run_line(*CARD, offload=raises(ZeroDivisionError())).status == ExitStatus.NOT_FINISHED


def test_the_statuses_that_every_start_knows_are_those_of_the_contract() -> None:
    assert (boundary._NOT_FINISHED, boundary._USAGE) == (ExitStatus.NOT_FINISHED, ExitStatus.USAGE)
    assert boundary._INTERRUPTED == ExitStatus.INTERRUPTED


# --- being asked to end


def test_a_keyboard_interrupt_outside_any_workflow_says_what_is_safe() -> None:
    ran = run_line(*CARD, offload=raises(KeyboardInterrupt()))
    assert ran.status == 130
    assert "Interrupted. The card was only read." in ran.err


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_the_first_signal_asks_the_workflow_to_stop_and_the_second_says_so(number: signal.Signals) -> None:
    seen: list[bool] = []

    def workflow(_request: Any, ctx: Context) -> OffloadResult:
        seen.append(ctx.cancel.is_set())
        os.kill(os.getpid(), number)
        seen.append(ctx.cancel.is_set())
        os.kill(os.getpid(), number)
        return an_offload()

    inherited = signal.signal(number, signal.SIG_DFL)  # a test run in the background is told to ignore Ctrl-C
    try:
        before = signal.getsignal(number)
        ran = run_line(*CARD, offload=workflow)
        after = signal.getsignal(number)
    finally:
        signal.signal(number, inherited)
    assert seen == [False, True]
    assert "Stopping. No footage was changed" in ran.err
    assert "Already stopping" in ran.err
    assert after is before


def test_a_signal_that_was_ignored_stays_ignored() -> None:
    def workflow(_request: Any, ctx: Context) -> OffloadResult:
        os.kill(os.getpid(), signal.SIGHUP)
        assert not ctx.cancel.is_set()
        return an_offload()

    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        assert run_line(*CARD, offload=workflow).status == 0
    finally:
        signal.signal(signal.SIGHUP, before)


# --- ends of processes

ENDS = """
import sys, threading
from cli.results import *
from rollproof.cli import boundary
from rollproof.cli.session import Session

hang = sys.argv[1:] == ["hang"]
def offload(request, ctx, **seams):
    if {thread}:
        threading.Thread(target=threading.Event().wait, daemon=False).start()
    return {result}
real = boundary.Session
boundary.Session = lambda: real(replaced={{"offload": offload}})
sys.argv = ["rollproof", "offload", "/media/A003", "--to", "/mnt/primary", *{more}]
boundary.run_and_end()
"""


def ending(*, thread: bool = False, result: str = "an_offload()", more: tuple[str, ...] = ()) -> str:
    return ENDS.format(thread=thread, result=result, more=list(more))


HANGS = 'an_offload(a_roll(findings=[a_finding(kind="drive-hangs", drive="shuttle")]))'


def test_the_process_ends_with_its_verdict_while_a_drive_holds_one_of_its_threads() -> None:
    ran = in_a_process(ending(thread=True, result=HANGS))
    assert ran.returncode == 0
    assert ran.stdout.rstrip().endswith("PROVEN: roll A003 is proven on 3 of 3 drives.")
    assert "If the prompt does not come back, unplug the drive that does not answer" in ran.stdout


def test_the_process_ends_even_if_no_finding_told_of_the_thread() -> None:
    assert in_a_process(ending(thread=True)).returncode == 0


def test_a_hanging_drive_is_noticed_wherever_the_finding_stands() -> None:
    bad = a_finding(kind="drive-hangs")
    roll = a_roll()
    on_drive = [roll.destinations[0].model_copy(update={"findings": [bad]})]
    for result in (
        an_offload(findings=[bad]),
        an_offload(a_roll(findings=[bad])),
        an_offload(a_roll(destinations=on_drive)),
    ):
        session = Session(replaced={"offload": gives(result)}, stdout=Stream(), stderr=Stream())
        boundary.run(list(CARD), session)
        assert session.hangs


@pytest.mark.parametrize("more", [(), ("--json",)])
def test_a_reader_that_goes_away_is_met_with_silence_and_the_real_status(more: tuple[str, ...]) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", "import sys; sys.stdin.readline()\n" + ending(more=more)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": PATH},
    )  # fmt: skip
    assert process.stdin and process.stdout and process.stderr
    process.stdout.close()
    process.stdin.write("\n")
    process.stdin.close()
    err = process.stderr.read()
    assert process.wait(60) == 0
    assert "Error" not in err
    assert "rror:" not in err and "Traceback" not in err and "Exception" not in err


def test_an_answer_that_could_not_be_delivered_is_no_success() -> None:
    with open("/dev/full", "w") as full:
        ran = subprocess.run(
            [sys.executable, "-c", ending(more=("--json",))],
            stdout=full, stderr=subprocess.PIPE, text=True, timeout=60, check=False,
            env={**os.environ, "PYTHONPATH": PATH},
        )  # fmt: skip
    assert ran.returncode == 4
    assert "the result could not be written to where it was sent" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_a_process_without_stdout_still_has_its_status() -> None:
    ran = subprocess.run(
        ["/bin/sh", "-c", 'exec "$0" -c "$1" >&- 2>&-', sys.executable, ending()],
        timeout=60, check=False, env={**os.environ, "PYTHONPATH": PATH},
    )  # fmt: skip
    assert ran.returncode == 0


def test_a_name_that_the_streams_encoding_cannot_hold_is_no_mistake() -> None:
    result = r'an_offload(a_roll(roll="\u65e5\udcff"))'
    ran = in_a_process(ending(result=result), PYTHONIOENCODING="ascii", PYTHONUTF8="0", LC_ALL="C")
    assert ran.returncode == 0
    assert "\\u65e5" in ran.stdout


# --- for commands to come


def test_a_command_with_a_failure_line_prints_it_with_every_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    @click.command("may-ask", cls=Job, failure_line="KEEP", empty_answer={"answer": "KEEP", "findings": []})
    @click.argument("card")
    @click.pass_obj
    def command(session: Session, card: str) -> int:
        session.speak()
        raise ZeroDivisionError

    monkeypatch.setitem(app.COMMANDS, "may-ask", "A command of a test.")
    monkeypatch.setattr(app, "import_module", lambda _name: type("Module", (), {"command": command}))
    assert run_line("may-ask", "x").out == "KEEP\n"
    ran = run_line("may-ask")
    assert (ran.status, ran.out) == (2, "KEEP\n")


def test_nothing_is_left_running_after_a_command() -> None:
    run_line(*CARD, offload=gives(an_offload()))
    assert [thread.name for thread in threading.enumerate() if thread.name == "screen"] == []


# --- Ctrl-C where no work is under way


CTRL_C = "os.kill(os.getpid(), signal.SIGINT)"


@pytest.mark.parametrize("times", [1, 2, 3])
def test_ctrl_c_during_the_summary_and_again_while_that_is_said_is_130_without_a_traceback(times: int) -> None:
    code = f"""
import os, signal
from rollproof.cli import boundary, failures
said = failures.failed
def invoke(arguments, session):
    {CTRL_C}
def failed(session, error):
    for _ in range({times - 1}):
        {CTRL_C}
    return said(session, error)
boundary.invoke, failures.failed = invoke, failed
boundary.run_and_end()
"""
    ran = in_a_process(code)
    assert ran.returncode == 130
    assert "Traceback" not in ran.stderr
    assert "KeyboardInterrupt" not in ran.stderr


def test_ctrl_c_at_the_very_end_changes_no_status_and_prints_nothing() -> None:
    code = f"""
import atexit, os, signal
from rollproof.cli import boundary
atexit.register(lambda: {CTRL_C})
boundary.invoke = lambda arguments, session: 1
boundary.sys.argv = ["rollproof", "drives"]
boundary.run_and_end()
"""
    ran = in_a_process(code)
    assert (ran.returncode, ran.stdout, ran.stderr) == (1, "", "")


def test_an_ignored_ctrl_c_stays_ignored() -> None:
    code = f"""
import os, signal
signal.signal(signal.SIGINT, signal.SIG_IGN)
from rollproof.cli import boundary
def invoke(arguments, session):
    {CTRL_C}
    return 1
boundary.invoke = invoke
boundary.sys.argv = ["rollproof", "drives"]
boundary.run_and_end()
"""
    assert in_a_process(code).returncode == 1


# --- standard streams that are closed


@pytest.mark.parametrize("closed", ["<&- >&- 2>&-", "2>&-", ">&-", "<&-"])
def test_no_file_of_ours_ever_gets_the_number_of_a_standard_stream(tmp_path: Path, closed: str) -> None:
    """Else whatever a library says on "standard error" is written into footage."""
    code = """
import os
from rollproof.cli import boundary
def invoke(arguments, session):
    number = os.open("copy", os.O_CREAT | os.O_RDWR)
    for standard in (1, 2):
        os.write(standard, b"words of a library")
    return number
boundary.invoke = invoke
boundary.sys.argv = ["rollproof", "drives"]
boundary.run_and_end()
"""
    (tmp_path / "code.py").write_text(code)
    command = f'exec "{sys.executable}" code.py {closed}'
    environ = {**os.environ, "PYTHONPATH": PATH}
    ran = subprocess.run(["sh", "-c", command], cwd=tmp_path, env=environ, capture_output=True, timeout=60, check=False)
    assert ran.returncode > 2
    assert (tmp_path / "copy").read_bytes() == b""


@pytest.mark.slow
def test_a_real_offload_with_all_streams_closed_copies_what_is_there(tmp_path: Path) -> None:
    card, drive = tmp_path / "card", tmp_path / "drive"
    (card / "CLIPS").mkdir(parents=True)
    drive.mkdir()
    clip = os.urandom(200_000)
    (card / "CLIPS" / "A003C001.mov").write_bytes(clip)
    command = f'exec "{sys.executable}" -m rollproof offload card --to drive --roll A003 <&- >&- 2>&-'
    environ = {**os.environ, "PYTHONPATH": PATH}
    ran = subprocess.run(["sh", "-c", command], cwd=tmp_path, env=environ, timeout=60, check=False)
    assert ran.returncode in (0, 1)  # whether two reads of the medium can be shown depends on where the test runs
    assert (drive / "A003" / "CLIPS" / "A003C001.mov").read_bytes() == clip
    [record] = (drive / "A003" / "rollproof").glob("*.json")
    assert json.loads(record.read_text())["roll"] == "A003"
