"""The card's answer in letters that can be read across a room: drawn here, five dots high. Pure."""

from __future__ import annotations

_DOTS = {
    "A": (".###.", "#...#", "#####", "#...#", "#...#"),
    "E": ("#####", "#....", "####.", "#....", "#####"),
    "I": ("###", ".#.", ".#.", ".#.", "###"),
    "K": ("#...#", "#..#.", "###..", "#..#.", "#...#"),
    "M": ("#...#", "##.##", "#.#.#", "#...#", "#...#"),
    "P": ("####.", "#...#", "####.", "#....", "#...."),
    "W": ("#...#", "#...#", "#.#.#", "##.##", "#...#"),
    "Y": ("#...#", ".#.#.", "..#..", "..#..", "..#.."),
    " ": ("..", "..", "..", "..", ".."),
}
_INDENT = 2


def large(words: str, width: int, *, fancy: bool = True) -> list[str]:
    """The words in large letters, as large as the width allows: dots two cells wide, else one; the words themselves
    where even that does not fit, or for a letter that was never drawn."""
    if any(letter not in _DOTS for letter in words):
        return [words]
    ink = "█" if fancy else "#"
    for cells in (2, 1):
        rows = [
            " " * _INDENT + " ".join(_row(letter, row, cells, ink) for letter in words).rstrip() for row in range(5)
        ]
        if max(len(row) for row in rows) <= width:
            return rows
    return [words]


def _row(letter: str, row: int, cells: int, ink: str) -> str:
    return "".join((ink if dot == "#" else " ") * cells for dot in _DOTS[letter][row])
