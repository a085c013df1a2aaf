"""Every roll of a production on every drive: one job."""

from rollproof.workflows.audit.job import audit

__all__ = ["audit"]
