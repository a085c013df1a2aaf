"""From a card or a recorded copy to proven copies: one job."""

from rollproof.workflows.offload.job import offload

__all__ = ["offload"]
