"""How many faults the suite really injected, by kind and by test: printed at the end of every run.

A helper counts a fault at the moment it happens, never when it is merely asked for.
"""

from __future__ import annotations

import json
import os
import threading
from collections import Counter
from collections.abc import Mapping

_HARNESS = "support_tests/"


class FaultCount:
    """A thread-safe count of injected faults. `by_test` maps a test's id to how many happened during it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.by_kind: Counter[str] = Counter()
        self.by_test: Counter[str] = Counter()

    def add(self, kind: str, count: int = 1) -> None:
        """Count faults of one kind, charged to the test that is running."""
        if count <= 0:
            return
        # pytest keeps "path::name (phase)" here while a test runs
        test = os.environ.get("PYTEST_CURRENT_TEST", "").partition(" (")[0]
        if _HARNESS in test:
            return  # the harness proving itself attacks nothing: it would only swell the figure
        with self._lock:
            self.by_kind[kind] += count
            if test:
                self.by_test[test] += count

    def merge(self, other: Mapping[str, Mapping[str, int]]) -> None:
        """Add what another process counted (`as_json` of its count)."""
        with self._lock:
            self.by_kind.update(Counter(other["by_kind"]))
            self.by_test.update(Counter(other["by_test"]))

    def as_json(self) -> dict[str, dict[str, int]]:
        """Plain data: `by_kind` and `by_test`."""
        with self._lock:
            return {"by_kind": dict(self.by_kind), "by_test": dict(self.by_test)}

    def lines(self) -> list[str]:
        """What the terminal summary prints; empty when nothing was injected."""
        counts = self.as_json()["by_kind"]
        if not counts:
            return []
        width = max(len(kind) for kind in counts)
        total = f"faults injected: {sum(counts.values())}"
        return [total, *(f"  {kind:<{width}}  {count:>7}" for kind, count in sorted(counts.items()))]

    def write(self, path: str) -> None:
        """Write the count as JSON, for the table of guarantees."""
        with open(path, "w", encoding="utf-8") as out:
            json.dump(self.as_json(), out, indent=1, sort_keys=True)


FAULTS = FaultCount()
"""The count of this process; workers hand theirs to the controlling process at the end."""
