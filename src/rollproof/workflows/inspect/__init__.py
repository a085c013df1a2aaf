"""What is on a card or in a copy: one job."""

from rollproof.workflows.inspect.job import inspect

__all__ = ["inspect"]
