"""Hash algorithms by name, several at once over one read."""
