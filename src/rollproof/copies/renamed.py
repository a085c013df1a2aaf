"""What is said of a recorded file that lies in its copy under another name."""

from __future__ import annotations

from rollproof.models.names import shown
from rollproof.proof.renamed import NewName

GIVE_IT_BACK = "give it its recorded name again, and verify this copy; keep the other copies and the card until then"
"""What to do once it was read."""
READ_IT = "audit again with --reread, which tells whether it is that file; keep the other copies and the card"
"""What to do where it is only probable."""


def now_called(name: NewName) -> str:
    """The words that follow the recorded name."""
    if name.is_read:
        return f"is recorded and not there: it is called {shown(name.path)} now, which was read and has its content"
    return (
        f"is recorded and not there: probably it is called {shown(name.path)} now, which has its size and date;"
        " only reading it tells"
    )
