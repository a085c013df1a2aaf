"""A drive changes hands: handover, receive and the timeline of who held it."""

from rollproof.workflows.custody.timeline import custody

__all__ = ["custody"]
