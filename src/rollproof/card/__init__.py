"""What is on a card: the tree as it was found, and the clips in it."""
