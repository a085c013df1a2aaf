"""May this card be wiped? One job."""

from rollproof.workflows.may_wipe.job import may_wipe

__all__ = ["may_wipe"]
