"""Rollproof: copy camera cards to several drives, prove every copy, and write it down."""

__version__ = "0.1.0"
