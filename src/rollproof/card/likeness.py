"""Whether a mounted volume looks like a card: picture or sound near its top, and no records of ours or of the standard.

A label for a list, and nothing more: what is a card is decided by whoever names it in a command.
"""

from __future__ import annotations

import os
from collections import deque

from rollproof.tree.suffixes import is_essence

_DEPTH = 4  # PRIVATE/M4ROOT/CLIP/name
_MOST_ENTRIES = 400
_OF_A_COPY = frozenset({b"rollproof", b"ascmhl"})


def looks_like_a_card(mount_point: bytes) -> bool:
    """Look at a few hundred names near the top; follows no link. False where nothing can be listed. May hang with the
    drive."""
    folders, left, essence = deque([(mount_point, 1)]), _MOST_ENTRIES, False
    while folders and left > 0:
        folder, depth = folders.popleft()
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    left -= 1
                    if left <= 0:
                        break
                    if entry.is_dir(follow_symlinks=False):
                        if entry.name in _OF_A_COPY:
                            return False
                        if depth < _DEPTH and not entry.name.startswith(b"."):
                            folders.append((entry.path, depth + 1))
                    elif not essence:
                        essence = is_essence(entry.name)
        except OSError:
            continue
    return essence
