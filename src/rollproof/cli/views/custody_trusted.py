"""A key that was named, on the screen."""

from __future__ import annotations

from collections.abc import Iterator

from rich.text import Text

from rollproof.cli.console import STRONG, join, safe
from rollproof.models.custody_results import TrustResult


def trusted_lines(result: TrustResult) -> Iterator[Text]:
    """Whose key it is now, and what must still be compared."""
    known = "is" if result.new else "was already"
    yield join("The key ", safe(result.fingerprint, STRONG), f" {known} known as ", safe(result.name, STRONG), ".")
    yield join("  kept in ", safe(result.file))
    yield Text("  Next: compare the fingerprint over the phone; whoever holds this key signs in that name.")
