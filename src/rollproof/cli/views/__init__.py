"""A result model as lines of text."""
