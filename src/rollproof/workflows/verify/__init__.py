"""Read copies again, compare with their history, append: one job."""

from rollproof.workflows.verify.job import verify

__all__ = ["verify"]
