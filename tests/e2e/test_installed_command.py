"""The wheel carries everything the command needs."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

import rollproof

pytestmark = pytest.mark.e2e


def test_the_installed_command_starts_outside_the_source_tree_and_says_its_version(
    installed_rollproof: Path, tmp_path: Path
) -> None:
    done = subprocess.run([installed_rollproof, "--version"], capture_output=True, text=True, check=False, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert rollproof.__version__ in done.stdout
    assert done.stderr == ""
