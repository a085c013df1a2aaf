"""The report of a day or a production: one job."""

from rollproof.workflows.report.job import report

__all__ = ["report"]
