"""Settings for every test: a station home of its own, mounts of each worker's own, and the count of injected faults."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any

import pytest

from support.counting import FAULTS
from support.devices import Devices, why_no_devices
from support.mounts import keep_mounts_to_ourselves
from support.schedule import InTurn, in_turn
from support.statements import share_compiled_statements

_DEMAND = "ROLLPROOF_DEVICE_TESTS"
_REPORT = "ROLLPROOF_FAULT_REPORT"
_KEPT = frozenset({_DEMAND, _REPORT})


@pytest.fixture(autouse=True)
def station_home(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The station folder of this test: no test ever sees the files of the person who runs it, or of another test."""
    for name in list(os.environ):
        if name.startswith("ROLLPROOF_") and name not in _KEPT:
            monkeypatch.delenv(name)
    home = tmp_path_factory.mktemp("station")
    monkeypatch.setenv("ROLLPROOF_HOME", str(home))
    return home


@pytest.fixture
def devices(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Devices]:
    """Real devices for one test: everything made through it is unmounted and detached afterwards, come what may."""
    with Devices(tmp_path_factory.mktemp("devices")) as made:
        yield made


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What is quick comes first, and of that what others stand upon (before `-m` chooses by the marks given here)."""
    items[:] = in_turn(items)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Device tests need root and tools; where they are missing the test says which."""
    if item.get_closest_marker("device") is not None:
        reason = why_no_devices()
        if reason:
            pytest.skip(reason)


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, Any, None]:
    """Where device tests were demanded, a skip is a failure: a promise nobody tested is not kept."""
    outcome = yield
    report: pytest.TestReport = outcome.get_result()
    if report.skipped and item.get_closest_marker("device") is not None and os.environ.get(_DEMAND) == "1":
        report.outcome = "failed"
        report.longrepr = f"skipped although {_DEMAND}=1: {report.longrepr}"


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """A worker hands its count to the controlling process."""
    output: dict[str, Any] | None = getattr(session.config, "workeroutput", None)
    if output is not None:
        output["faults"] = FAULTS.as_json()


class _WithWorkers:
    """Known to pluggy only where xdist runs: the hooks exist nowhere else."""

    @pytest.hookimpl
    def pytest_xdist_make_scheduler(self, config: pytest.Config, log: Any) -> InTurn:
        """Each worker that is free takes the next test."""
        return InTurn(config, log)

    @pytest.hookimpl
    def pytest_testnodedown(self, node: Any) -> None:
        """Take over a worker's count."""
        FAULTS.merge(getattr(node, "workeroutput", {}).get("faults", {"by_kind": {}, "by_test": {}}))


def pytest_configure(config: pytest.Config) -> None:
    """Listen to workers where there are any; end on SIGTERM as on Ctrl-C, so that nothing stays mounted."""
    share_compiled_statements()
    keep_mounts_to_ourselves()
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        # a shell starts what runs in its background deaf to Ctrl-C, and children inherit that: here it is heard
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if config.pluginmanager.hasplugin("xdist"):
        config.pluginmanager.register(_WithWorkers(), "with-workers")


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Print how many faults this run injected, by kind; write them by test where a file was asked for."""
    for line in FAULTS.lines():
        terminalreporter.write_line(line)
    if path := os.environ.get(_REPORT):
        FAULTS.write(path)
