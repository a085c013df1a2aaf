"""Long campaigns against the real thing: kills, power cuts, flipped bits. The suite runs a short piece of each."""
