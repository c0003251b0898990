"""Marks: the symbols of the drawing, each told by its shape and not by its colour.

A drawing is built into `xml.etree.ElementTree` elements, which escape every text and attribute. Lengths are
units of the drawing, x to the right, y downward.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from xml.etree.ElementTree import Element, SubElement

from service.domain.balance.drawing_layout import SIZE, plain

INK: Final = "#1a1a1a"
PALE: Final = "#c4c4c4"
FAINT: Final = "#e6e6e6"
DIM: Final = "#555555"
PAPER: Final = "#ffffff"
COOL: Final = "#1d4f91"
WARM: Final = "#b4460f"

Point = tuple[float, float]


def number(value: float) -> str:
    """A coordinate with at most two decimals."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def add(parent: Element, tag: str, /, **attributes: float | str) -> Element:
    """An element; underscores of names become hyphens, numbers coordinates. Values are our own words."""
    return SubElement(
        parent,
        tag,
        {
            name.replace("_", "-"): number(value) if isinstance(value, int | float) else value
            for name, value in attributes.items()
        },
    )


def write(parent: Element, x: float, y: float, text: str, **attributes: float | str) -> Element:
    """A line of text; y is its base line."""
    element = add(parent, "text", x=x, y=y, **attributes)
    element.text = plain(text)
    return element


def path(
    parent: Element, points: Sequence[Point], *, closed: bool = False, **attributes: float | str
) -> Element:
    """A line through points, not filled unless `fill` says so."""
    data = "M" + " L".join(f"{number(x)} {number(y)}" for x, y in points) + ("Z" if closed else "")
    return add(parent, "path", d=data, **{"fill": "none", "stroke": INK, **attributes})


def hatchings(parent: Element) -> None:
    """Patterns by which areas differ in grey as in colour: `rising`, `falling` and `bare`."""
    definitions = add(parent, "defs")
    for name, colour, data in (
        ("rising", COOL, "M-1 7 L7 -1 M-1 1 L1 -1 M5 7 L7 5"),
        ("falling", WARM, "M-1 -1 L7 7 M5 -1 L7 1 M-1 5 L1 7"),
    ):
        pattern = add(
            definitions, "pattern", id=f"line-{name}", width=6, height=6, patternUnits="userSpaceOnUse"
        )
        add(pattern, "rect", width=6, height=6, fill=PAPER)
        add(pattern, "path", d=data, stroke=colour, stroke_width=1.6, fill="none")


# --- hangers ------------------------------------------------------------------------------------------------
HANGER_HEIGHT: Final = 26.0


def hanger(parent: Element, x: float, y: float, kind: str, *, stopped: bool) -> None:
    """A hanger with its lower edge at y: a coil, a crossed disc or a bar; stopped: a bolt on either side."""
    top, middle = y - HANGER_HEIGHT, y - HANGER_HEIGHT / 2.0
    if kind == "variable":
        add(parent, "rect", x=x - 7, y=top, width=14, height=HANGER_HEIGHT, fill=PAPER, stroke=INK)
        zigzag = [(x + (5 if place % 2 else -5), top + 3 + 4 * place) for place in range(6)]
        path(parent, zigzag, stroke_width=1.4)
    elif kind == "constant":
        add(parent, "circle", cx=x, cy=middle, r=11, fill=PAPER, stroke=INK, stroke_width=1.4)
        path(parent, [(x - 11, middle), (x + 11, middle)], stroke_width=1.4)
        path(parent, [(x, middle - 11), (x, middle + 11)], stroke_width=1.4)
    else:
        add(parent, "rect", x=x - 2.5, y=top, width=5, height=HANGER_HEIGHT, fill=INK)
        add(parent, "rect", x=x - 8, y=top, width=16, height=4, fill=INK)
    if stopped and kind != "rigid":
        for side in (-1, 1):
            add(parent, "rect", x=x + side * 14 - 2, y=middle - 6, width=4, height=12, fill=INK)


def verdict(parent: Element, x: float, y: float, said: str, end: str | None) -> None:
    """A verdict about the end of travel at (x, y): a triangle towards the end, full where it will get there.

    A ring where it will not, a square with a gap where it cannot be said.
    """
    if said in ("will", "may"):
        tip = 5.0 if end == "lower" else -5.0
        fill = WARM if said == "will" else PAPER
        path(parent, [(x, y + tip), (x - 5, y - tip), (x + 5, y - tip)], closed=True, fill=fill, stroke=WARM,
             stroke_width=1.6)  # fmt: skip
    elif said == "will_not":
        add(parent, "circle", cx=x, cy=y, r=4, fill=PAPER, stroke=COOL, stroke_width=1.6)
    else:
        add(parent, "rect", x=x - 4, y=y - 4, width=8, height=8, fill=PAPER, stroke=INK, stroke_width=1.4,
            stroke_dasharray="3 2")  # fmt: skip


# --- what else is on a line ---------------------------------------------------------------------------------
def holder(parent: Element, x: float, y: float, kind: str) -> None:
    """What holds the line at (x, y): a hatched block, a flange with an arrow, or two rails."""
    if kind == "anchor":
        add(parent, "rect", x=x - 8, y=y - 12, width=16, height=24, fill=PAPER, stroke=INK, stroke_width=1.6)
        for place in range(3):
            path(parent, [(x - 8, y - 4 + 7 * place), (x + 8, y - 11 + 7 * place)], stroke_width=1.2)
    elif kind == "nozzle":
        flare = [(x - 9, y - 12), (x - 3, y - 7), (x - 3, y + 7), (x - 9, y + 12)]
        path(parent, flare, closed=True, fill=PAPER, stroke_width=1.6)
        path(parent, [(x + 3, y - 12), (x + 3, y + 12)], stroke_width=3)
        path(parent, [(x + 12, y + 12), (x + 12, y - 11), (x + 9, y - 6), (x + 12, y - 11), (x + 15, y - 6)],
             stroke_width=1.2)  # fmt: skip
    else:
        for side in (-1, 1):
            path(parent, [(x - 9, y + 11 * side), (x + 9, y + 11 * side)], stroke_width=3)


def mass(parent: Element, x: float, y: float) -> None:
    """A concentrated mass: a solid diamond."""
    path(parent, [(x, y - 10), (x + 10, y), (x, y + 10), (x - 10, y)], closed=True, fill=INK)


def letter(parent: Element, x: float, y: float, text: str) -> None:
    """A small letter in a ring, which a note explains."""
    add(parent, "circle", cx=x, cy=y, r=8, fill=PAPER, stroke=INK)
    write(parent, x, y + SIZE * 0.34, text, text_anchor="middle", font_size=SIZE - 2)


def pipe(parent: Element, points: Sequence[Point], *, covered: bool) -> None:
    """A run of pipe; covered: with what it was drawn to carry about it on, else thin and ticked."""
    if covered:
        path(parent, points, stroke=INK, stroke_width=11, stroke_linejoin="round")
        path(parent, points, stroke=FAINT, stroke_width=9, stroke_linejoin="round")
        path(parent, points, stroke=INK, stroke_width=3, stroke_linejoin="round")
    else:
        path(parent, points, stroke=WARM, stroke_width=11, stroke_dasharray="2 5")
        path(parent, points, stroke=INK, stroke_width=3, stroke_linejoin="round")


def settled(parent: Element, points: Sequence[Point]) -> None:
    """The settled shape: broken, so that it is told from the pipe in grey."""
    path(parent, points, stroke=COOL, stroke_width=2, stroke_dasharray="9 5")


def bar(parent: Element, x: float, zero: float, end: float, ends: tuple[float, float]) -> None:
    """A bar from its zero line, hatched by its sense, with a whisker over its interval."""
    rises = end < zero
    add(parent, "rect", x=x - 5, y=min(zero, end), width=10, height=abs(end - zero),
        fill=f"url(#line-{'rising' if rises else 'falling'})", stroke=COOL if rises else WARM)  # fmt: skip
    if abs(ends[0] - ends[1]) > 0.5:
        path(parent, [(x, ends[0]), (x, ends[1])], stroke_width=1.4)
        for place in ends:
            path(parent, [(x - 3, place), (x + 3, place)], stroke_width=1.4)
