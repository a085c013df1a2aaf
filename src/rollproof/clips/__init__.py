"""Are the clips whole? Joins the card and what its media say."""
