"""Small moving pictures drawn in code: a swinging bell, metal poured into a mould, colour bars.

A picture is planar YUV 4:2:0, studio range, small enough to be drawn line by line in plain Python.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

Colour = tuple[int, int, int]
"""Y, Cb, Cr, studio range (Y 16-235, Cb and Cr 16-240 around 128)."""

NIGHT: Colour = (34, 132, 124)
BRICK: Colour = (62, 118, 146)
BRONZE: Colour = (128, 88, 152)
BRONZE_LIT: Colour = (178, 84, 142)
IRON: Colour = (70, 128, 128)
MOLTEN: Colour = (205, 60, 178)
SPARK: Colour = (232, 96, 140)

# 75 % colour bars, ITU-R BT.601, left to right: white, yellow, cyan, green, magenta, red, blue.
BARS: tuple[Colour, ...] = (
    (180, 128, 128),
    (162, 44, 142),
    (131, 156, 44),
    (112, 72, 58),
    (84, 184, 198),
    (65, 100, 212),
    (35, 212, 114),
)


@dataclass(slots=True)
class Picture:
    """One frame: three planes, row by row without padding. Width and height are even."""

    width: int
    height: int
    planes: tuple[bytearray, bytearray, bytearray]

    @classmethod
    def filled(cls, width: int, height: int, colour: Colour) -> Picture:
        """A frame of one colour."""
        small = (width // 2) * (height // 2)
        luma, cb, cr = (bytes([value]) for value in colour)
        return cls(width, height, (bytearray(luma * (width * height)), bytearray(cb * small), bytearray(cr * small)))

    def span(self, y: int, left: float, right: float, colour: Colour) -> None:
        """Colour one line from `left` up to `right`, cut at the edges."""
        x0, x1 = max(0, round(left)), min(self.width, round(right))
        if x0 >= x1 or not 0 <= y < self.height:
            return
        luma, cb, cr = self.planes
        start = y * self.width
        luma[start + x0 : start + x1] = bytes([colour[0]]) * (x1 - x0)
        if y % 2 == 0:
            c0, c1 = x0 // 2, (x1 + 1) // 2
            start = (y // 2) * (self.width // 2)
            cb[start + c0 : start + c1] = bytes([colour[1]]) * (c1 - c0)
            cr[start + c0 : start + c1] = bytes([colour[2]]) * (c1 - c0)

    def box(self, left: float, top: float, right: float, bottom: float, colour: Colour) -> None:
        """A filled rectangle."""
        for y in range(max(0, round(top)), min(self.height, round(bottom))):
            self.span(y, left, right, colour)

    def disc(self, x: float, y: float, radius: float, colour: Colour) -> None:
        """A filled circle."""
        for line in range(round(y - radius), round(y + radius) + 1):
            reach = radius * radius - (line - y) ** 2
            if reach > 0:
                half = math.sqrt(reach)
                self.span(line, x - half, x + half, colour)


Scene = Callable[[int, int, int, int], Picture]
"""Draws frame `number` of `count` at `width` × `height`."""


def _bell_half_width(part: float) -> float:
    """Outline of a bell: half its width at `part` (0 crown, 1 lip) of its height, as a share of the height."""
    if part < 0.08:
        return 0.09
    waist = 0.26 + 0.08 * part
    shoulder = math.sqrt(max(0.0, 1 - (1 - min(1.0, (part - 0.08) / 0.2)) ** 2))
    lip = 0.16 * max(0.0, (part - 0.62) / 0.38) ** 2
    return waist * shoulder + lip


def _bell(picture: Picture, x: float, top: float, tall: float, lean: float) -> None:
    """A bell hanging from (x, top); `lean` shears it, so that it swings."""
    picture.disc(x + lean * tall * 1.02, top + tall * 1.02, tall * 0.09, IRON)
    for line in range(round(tall)):
        part = line / tall
        half = _bell_half_width(part) * tall
        middle = x + lean * line
        y = round(top) + line
        picture.span(y, middle - half, middle + half, BRONZE)
        picture.span(y, middle - half * 0.55, middle - half * 0.3, BRONZE_LIT)


def swinging_bell(number: int, count: int, width: int, height: int) -> Picture:
    """The bell on its yoke, two swings per clip."""
    picture = Picture.filled(width, height, NIGHT)
    picture.box(0, height * 0.9, width, height, BRICK)
    picture.box(width * 0.2, height * 0.1, width * 0.8, height * 0.16, IRON)
    lean = 0.45 * math.sin(4 * math.pi * number / count)
    _bell(picture, width / 2, height * 0.16, height * 0.62, lean)
    return picture


def casting(number: int, count: int, width: int, height: int) -> Picture:
    """Molten metal runs into the mould; the level rises and sparks fly."""
    picture = Picture.filled(width, height, NIGHT)
    picture.box(0, height * 0.92, width, height, BRICK)
    left, right, top, bottom = width * 0.32, width * 0.68, height * 0.4, height * 0.92
    picture.box(left, top, right, bottom, BRICK)
    level = bottom - (bottom - top) * 0.85 * (number + 1) / count
    picture.box(left + width * 0.04, level, right - width * 0.04, bottom - height * 0.05, MOLTEN)
    picture.box(width * 0.49, height * 0.12, width * 0.51, level, MOLTEN)
    picture.box(width * 0.3, height * 0.06, width * 0.52, height * 0.14, IRON)
    for spark in range(9):
        flight = (number * 3 + spark * 17) % 40 / 40
        side = 1 if spark % 2 else -1
        x = width / 2 + side * flight * width * (0.08 + 0.03 * spark)
        picture.disc(x, level - height * 0.3 * flight + height * 0.45 * flight * flight, 1.6, SPARK)
    return picture


def struck_bell(number: int, count: int, width: int, height: int) -> Picture:
    """The finished bell hangs still while rings of sound run outwards."""
    picture = Picture.filled(width, height, BRICK)
    for ring in range(4, -1, -1):
        radius = ((number * 4 + ring * 34) % 170) + 12
        picture.disc(width / 2, height * 0.55, radius, NIGHT if ring % 2 else BRICK)
    _bell(picture, width / 2, height * 0.18, height * 0.6, 0.02 * math.sin(number))
    return picture


def colour_bars(number: int, count: int, width: int, height: int) -> Picture:
    """Bars, with a square that walks along the bottom so that a frozen picture is seen."""
    picture = Picture.filled(width, height, (16, 128, 128))
    for index, colour in enumerate(BARS):
        picture.box(width * index / 7, 0, width * (index + 1) / 7, height * 0.8, colour)
    x = width * 0.9 * number / max(1, count - 1)
    picture.box(x, height * 0.84, x + width * 0.1, height * 0.96, (180, 128, 128))
    return picture
