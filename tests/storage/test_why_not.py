"""What is said of a folder that cannot be used: the truth, and not the most usual reason."""

from __future__ import annotations

import errno
import os

import pytest

from rollproof.storage.errors import no_folder, not_writable


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (errno.ENOENT, "there is no folder /mnt/backup"),
        (errno.ENOTDIR, "there is no folder /mnt/backup"),
        (errno.EACCES, "the folder /mnt/backup cannot be opened (Permission denied)"),
        (errno.EIO, "the folder /mnt/backup cannot be opened (Input/output error)"),
    ],
)
def test_only_a_folder_that_is_not_there_is_called_so(number: int, said: str) -> None:
    assert no_folder(b"/mnt/backup", OSError(number, os.strerror(number))) == said


def test_only_a_drive_that_is_mounted_so_is_called_read_only() -> None:
    assert not_writable(b"/mnt/backup/A003", read_only=True) == "the drive is read-only"
    assert not_writable(b"/mnt/backup/A003", read_only=False) == "there is no permission to write to /mnt/backup/A003"
