"""Coverage-guided fuzzing of every parser in the table, for as long as you like: `make fuzz FUZZ_ARGS="--seconds 600"`.

    python -m fuzz.run --seconds 60 --group records --group ascmhl

Each target runs in a process of its own, beginning with its valid documents. What was found lies in the folder named
with `--keep` (default `.fuzz`), one file per input, and the next run begins with it. Ends with 1 when anything else
than values or an allowed error came out, when one input took longer than 20 s, or when memory went above 1 GB.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

_LONGEST_INPUT_SECONDS = 20
_MEMORY_MB = 1024
_LONGEST_INPUT_BYTES = 1 << 16
_DONE = re.compile(r"Done (\d+) runs in (\d+) second")
_PULSE = re.compile(r"^#(\d+)\s", re.MULTILINE)


def folder_name(target: str) -> str:
    """A target's name as a folder."""
    return re.sub(r"[^a-z]+", "-", target.lower()).strip("-")


def fuzz_one(name: str, words: Sequence[str]) -> None:
    """Fuzz one target in this process; libFuzzer ends it."""
    import atheris  # type: ignore[import-not-found,unused-ignore]  # noqa: PLC0415 - only here, and only where it is

    with atheris.instrument_imports(include=["rollproof"]):
        from fuzz.targets import TARGETS  # noqa: PLC0415 - what is imported inside is instrumented

    target = next(each for each in TARGETS if each.name == name)

    def attack(data: bytes) -> None:
        try:
            target.feed(data)
        except target.allowed:
            pass

    atheris.Setup(["fuzz", *words], attack)
    atheris.Fuzz()


def _run(name: str, valid: Sequence[bytes], keep: Path, seconds: int) -> tuple[int, str]:
    """How many inputs one target was fed, and what went wrong (empty when nothing did)."""
    corpus, found = keep / folder_name(name) / "corpus", keep / folder_name(name) / "found"
    for folder in (corpus, found):
        folder.mkdir(parents=True, exist_ok=True)
    for number, document in enumerate(valid):
        (corpus / f"valid-{number}").write_bytes(document)
    words = [
        f"-max_total_time={seconds}",
        f"-timeout={_LONGEST_INPUT_SECONDS}",
        f"-rss_limit_mb={_MEMORY_MB}",
        f"-max_len={_LONGEST_INPUT_BYTES}",
        f"-artifact_prefix={found}/",
        "-print_final_stats=1",
        str(corpus),
        *(str(path) for path in [found] if any(path.iterdir())),
    ]
    command = [sys.executable, "-m", "fuzz.run", "--one", name, *words]
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
    told = done.stdout + done.stderr
    ended = _DONE.search(told)
    pulses = _PULSE.findall(told)
    count = int(ended[1]) if ended else int(pulses[-1]) if pulses else 0
    if done.returncode == 0 and ended:
        return count, ""
    return count, told[-4000:] or f"it ended with {done.returncode}"


def main(arguments: list[str]) -> int:
    """Fuzz all targets, or those of some groups, one after the other; `--seconds` is for all of them together."""
    if arguments[:1] == ["--one"]:
        fuzz_one(arguments[1], arguments[2:])
        return 0
    from fuzz.targets import TARGETS  # noqa: PLC0415 - the child instruments it first

    groups = sorted({target.group for target in TARGETS})
    parser = argparse.ArgumentParser(prog="fuzz.run", description=(__doc__ or "").split("\n\n", maxsplit=1)[0])
    parser.add_argument("--seconds", type=int, default=600, help="for all targets together (default: 600)")
    parser.add_argument("--group", action="append", choices=groups, help="only these (default: all)")
    parser.add_argument("--keep", type=Path, default=Path(".fuzz"), help="where inputs are kept (default: .fuzz)")
    chosen = parser.parse_args(arguments)
    targets = [target for target in TARGETS if not chosen.group or target.group in chosen.group]
    each_seconds = max(chosen.seconds // len(targets), 1)
    total, wrong = 0, 0
    for target in targets:
        count, trouble = _run(target.name, list(target.valid()), chosen.keep, each_seconds)
        total += count
        wrong += bool(trouble)
        print(
            f"{target.group:<10} {target.name:<62} {count:>9}  {'FOUND SOMETHING' if trouble else 'nothing'}",
            flush=True,
        )
        if trouble:
            print(trouble, file=sys.stderr, flush=True)
    print(f"{total} inputs in {each_seconds * len(targets)} s, {len(targets)} targets, {wrong} with something found")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
