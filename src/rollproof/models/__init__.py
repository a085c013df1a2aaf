"""The words of the house as types: what every room may use and none may bend."""
