"""Starts the command by the hundred: a program that has everything imported already and forks for every run.

Run as a program it serves JSON lines: `{"start": {words, folder, environment, out, err}}` answers `{"pid": n}`, and
`{"poll": pid}` answers `{"status": null}`, or the exit status (negative for a signal) and the most memory it held. What
runs in the fork is the command's own `main`, in a process group of its own.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import io
import json
import os
import sys
import tempfile
from typing import Any, NoReturn

PRELOADED = (
    "rollproof.cli.boundary",
    "rollproof.cli.app",
    "rollproof.cli.commands.offload",
    "rollproof.cli.commands.verify",
    "rollproof.cli.runs.offload_run",
    "rollproof.cli.views.verify_summary",
    "rollproof.workflows.offload",
    "rollproof.workflows.verify",
    "rollproof.workflows.may_wipe",
    "rollproof.ledger.ledger",
    "lxml.etree",
    "sqlite3",
)


def _become(told: dict[str, Any]) -> NoReturn:
    """In the fork: be the command."""
    os.setsid()
    for number, name in ((1, "out"), (2, "err")):
        handle = os.open(told[name], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        os.dup2(handle, number)
        os.close(handle)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.chdir(told["folder"])
    os.environ.clear()
    os.environ.update(told["environment"])
    sys.argv = ["rollproof", *told["words"]]
    status = 1
    try:
        from rollproof.cli import main  # noqa: PLC0415 - the server has it imported

        main()
        status = 0
    except SystemExit as ended:
        status = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def _warm() -> None:
    """One small offload in this process: what is made at the first use (compiled SQL, validators) is there at the
    fork, a third of the processor time of a run on a small card."""
    sys.path.append(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))  # this file runs as a program
    from rollproof.cli import main  # noqa: PLC0415
    from support.statements import share_compiled_statements  # noqa: PLC0415

    share_compiled_statements()
    before, words = os.environ.copy(), sys.argv
    with tempfile.TemporaryDirectory() as top:
        for name in ("home", "card", "one", "two"):
            os.mkdir(os.path.join(top, name))
        with open(os.path.join(top, "card", "A001C001.xml"), "wb") as file:
            file.write(b"<clip/>")
        os.environ["ROLLPROOF_HOME"] = os.path.join(top, "home")
        drives = [word for name in ("one", "two") for word in ("--to", os.path.join(top, name))]
        sys.argv = ["rollproof", "offload", os.path.join(top, "card"), *drives, "--roll", "A001", "--json"]
        with (
            contextlib.redirect_stdout(io.StringIO()),
            contextlib.redirect_stderr(io.StringIO()),
            contextlib.suppress(SystemExit),
        ):
            main()
    sys.argv = words
    os.environ.clear()
    os.environ.update(before)
    gc.collect()
    gc.freeze()


def main() -> None:
    """Serve until the standard input ends."""
    for name in PRELOADED:
        try:
            importlib.import_module(name)
        except ImportError:
            continue  # the command imports what it needs by itself
    _warm()
    for line in sys.stdin.buffer:
        asked = json.loads(line)
        if "start" in asked:
            pid = os.fork()
            if pid == 0:
                _become(asked["start"])
            answer: dict[str, Any] = {"pid": pid}
        else:
            done, status, used = os.wait4(asked["poll"], os.WNOHANG)
            answer = {
                "status": os.waitstatus_to_exitcode(status) if done else None,
                "peak_bytes": used.ru_maxrss * 1024,
            }
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
