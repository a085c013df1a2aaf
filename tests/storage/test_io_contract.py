"""The contract of `io_contract.py`, kept by every `Io`."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.register_assert_rewrite("storage.io_contract", "storage.grounds")

from rollproof.storage.macos import MacosIo  # noqa: E402
from rollproof.storage.posix import LinuxIo  # noqa: E402
from storage.fake_macos import FakeMacos  # noqa: E402
from storage.grounds import FakeWindowsGround, RealGround  # noqa: E402
from storage.io_contract import Ground, IoContract  # noqa: E402


class TestLinuxIo(IoContract):
    """Linux, on a real folder."""

    @pytest.fixture(params=["fifo", "socket"])
    def ground(self, tmp_path: Path, request: pytest.FixtureRequest) -> Ground:
        return RealGround(LinuxIo(), tmp_path, request.param)


class TestMacosIo(IoContract):
    """macOS, with the calls that only it has played by Linux."""

    @pytest.fixture
    def ground(self, tmp_path: Path) -> Ground:
        return RealGround(MacosIo(FakeMacos()), tmp_path)


class TestWindowsIo(IoContract):
    """Windows, on a Windows in memory."""

    @pytest.fixture
    def ground(self) -> Ground:
        return FakeWindowsGround()
