"""Functions of the C library, called by several threads at once."""

from __future__ import annotations

import ast
import gc
import os
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

import rollproof
from rollproof.storage.posix import LinuxIo

RENAMES = 4_000


@pytest.fixture
def restless() -> Iterator[None]:
    """An interpreter that changes threads and collects garbage whenever it may."""
    interval, thresholds = sys.getswitchinterval(), gc.get_threshold()
    sys.setswitchinterval(1e-6)
    gc.set_threshold(3, 1, 1)
    yield
    sys.setswitchinterval(interval)
    gc.set_threshold(*thresholds)


class _Litter:
    """Only the garbage collector gets rid of it, and another thread has its turn in the middle of that."""

    def __init__(self) -> None:
        self.itself = self

    def __del__(self) -> None:
        time.sleep(0)


@pytest.mark.slow
def test_drives_that_rename_at_the_same_time_do_not_take_each_others_arguments(tmp_path: Path, restless: None) -> None:
    """It stopped a drive about once in a few thousand small offloads, with an error that made no sense."""
    io, trouble = LinuxIo(), list[BaseException]()

    def rename(number: int) -> None:
        handle = io.open_root(os.fsencode(tmp_path))
        try:
            for _ in range(RENAMES):
                _Litter()
                name = b"unfinished-%d" % number
                io.close(io.create(name, handle, direct=False))
                io.rename_no_replace(name, b"finished-%d" % number, handle)
                io.remove(b"finished-%d" % number, handle)
        except BaseException as error:  # noqa: BLE001 - whatever it is
            trouble.append(error)
        finally:
            io.close(handle)

    threads = [threading.Thread(target=rename, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert trouble == []


@pytest.mark.slow
def test_the_arguments_of_a_c_function_are_told_where_it_is_made_and_nowhere_else() -> None:
    """Wherever else that happens, a call of another thread may be under way."""
    top = Path(rollproof.__file__).parent
    told = set()
    for path in top.rglob("*.py"):
        for function in ast.walk(ast.parse(path.read_text())):
            if not isinstance(function, ast.FunctionDef):
                continue
            for node in ast.walk(function):
                if isinstance(node, ast.Attribute) and node.attr in ("argtypes", "restype") and _is_set(node):
                    told.add(f"{path.relative_to(top)}::{function.name}")
    assert told == {
        "storage/c_library.py::prepared",
        "storage/linux_aio.py::__init__",
        "storage/windows_kernel.py::__init__",
    }


def _is_set(node: ast.Attribute) -> bool:
    return isinstance(node.ctx, ast.Store)
