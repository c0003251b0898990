"""Layout: how wide words are, where labels go so that none covers another, and round numbers for scales.

Lengths are units of the drawing, four to a millimetre of paper; x to the right, y downward.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

SIZE: Final = 12.0
"""Height of the letters: 3 mm on paper."""
LINE: Final = 15.0
"""From one line of text to the next."""
# Advance of each character over the letters' height: the widest of the typefaces that systems commonly draw
# plain text in, by their own tables, rounded up to a twentieth.
_ADVANCES: Final = {
    character: advance
    for advance, characters in (
        (0.30, "'Iijl"),
        (0.35, " ,./:;\\|"),
        (0.40, "()-[]ft"),
        (0.45, "!r"),
        (0.50, '"*J`'),
        (0.55, "csz"),
        (0.60, "?L_kvxy–"),
        (0.65, "$0123456789FTabdeghnopqu{}"),
        (0.70, "ABEKPSVXYZ"),
        (0.75, "CNRU"),
        (0.80, "&DGHOQ"),
        (0.85, "#+<=>^w~−×"),
        (0.90, "M"),
    )
    for character in characters
}
_OTHER: Final = 1.1
_BOLD: Final = 1.14
_REPLACED: Final = "�"
_GAP: Final = 8.0


def plain(text: str) -> str:
    """The text without characters that are not drawn: controls, those that turn the writing's direction."""
    return "".join(_REPLACED if unicodedata.category(each).startswith("C") else each for each in text)


def width(text: str, size: float = SIZE, *, bold: bool = False) -> float:
    """A width that the text does not exceed in the plain typefaces that are common."""
    advance = math.fsum(_ADVANCES.get(each, _OTHER) for each in text)
    return size * advance * (_BOLD if bold else 1.0)


def cut(text: str, most: int) -> str:
    """The text, shortened to so many characters and marked by an ellipsis where it was longer."""
    return text if len(text) <= most else text[: most - 1] + "…"


def wrapped(text: str, room: float) -> list[str]:
    """The text in lines that fit into a width; a longer word is broken."""
    lines = [""]
    for word in text.split():
        for part in _broken(word, room):
            joined = f"{lines[-1]} {part}".strip()
            if width(joined) <= room:
                lines[-1] = joined
            else:
                lines.append(part)
    return lines


def _broken(word: str, room: float) -> list[str]:
    parts = [""]
    for each in word:
        if parts[-1] and width(parts[-1] + each) > room:
            parts.append("")
        parts[-1] += each
    return parts


def spread(wanted: Sequence[float], pitch: float, low: float, high: float) -> list[float]:
    """Places at least a pitch apart, in the same order, together as near to the wanted ones as can be.

    Least squares of the distances (pooling of adjacent violators). Where the room from low to high is too
    small for all, they begin at low and go beyond high.

    Args:
        wanted: ascending
    """
    pools: list[tuple[float, int]] = []  # mean, count
    for number, place in enumerate(wanted):
        mean, count = place - number * pitch, 1
        while pools and pools[-1][0] > mean:
            before, many = pools.pop()
            mean = (before * many + mean * count) / (many + count)
            count += many
        pools.append((mean, count))
    most = max(low, high - (len(wanted) - 1) * pitch)
    means = [min(max(mean, low), most) for mean, count in pools for _ in range(count)]
    return [mean + number * pitch for number, mean in enumerate(means)]


@dataclass(frozen=True)
class Box:
    """A rectangle: left and top edge, width and height."""

    x: float
    y: float
    width: float
    height: float

    def covers(self, other: Box) -> bool:
        """Whether the two have more than an edge in common."""
        return (
            self.x < other.x + other.width
            and other.x < self.x + self.width
            and self.y < other.y + other.height
            and other.y < self.y + self.height
        )


@dataclass(frozen=True)
class Labels:
    """Boxes in one or two rows; the leader of a box in the second row passes between two of the first.

    centres: of the boxes, in the order wanted. rows: 0 is next to what is labelled. box: width, height.
    """

    centres: tuple[float, ...]
    rows: tuple[int, ...]
    box: tuple[float, float]

    @property
    def depth(self) -> float:
        """Height that the rows take together."""
        return (max(self.rows, default=-1) + 1) * (self.box[1] + _GAP)

    def boxes(self, top: float, *, downward: bool) -> list[Box]:
        """The boxes when the rows begin at a height; downward: row 0 is the upper one."""
        last = max(self.rows, default=0)
        return [
            Box(
                centre - self.box[0] / 2.0,
                top + (row if downward else last - row) * (self.box[1] + _GAP),
                *self.box,
            )
            for centre, row in zip(self.centres, self.rows, strict=True)
        ]


def room_for(count: int, box_width: float) -> float:
    """Width that so many boxes need in two rows."""
    return (count + 1) * (box_width + _GAP) / 2.0


def labels(wanted: Sequence[float], box: tuple[float, float], low: float, high: float) -> Labels:
    """Places for labels: in one row where there is room for all of them, else in two.

    Args:
        wanted: where they belong, ascending
        box: width and height of each
        low, high: between which they stand
    """
    pitch, rows = box[0] + _GAP, [0] * len(wanted)
    if len(wanted) * pitch > high - low + _GAP:
        pitch, rows = pitch / 2.0, [place % 2 for place in range(len(wanted))]
    centres = spread(wanted, pitch, low + box[0] / 2.0, high - box[0] / 2.0)
    return Labels(tuple(centres), tuple(rows), box)


def straightened(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The points without those that lie on the straight line between their neighbours; x ascending."""
    kept = list(points[:2])
    for point in points[2:]:
        (x, y), (middle_x, middle_y) = kept[-2], kept[-1]
        if abs((middle_y - y) * (point[0] - x) - (point[1] - y) * (middle_x - x)) < 1e-6:
            kept[-1] = point
        else:
            kept.append(point)
    return kept


def nice(value: float) -> float:
    """The greatest of 1, 2 and 5 times a power of ten that is not above a positive value."""
    power = 10.0 ** math.floor(math.log10(value))
    return max(
        (each * power for each in (1.0, 2.0, 5.0) if each * power <= value * (1.0 + 1e-9)), default=power
    )


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers from low to high, at most so many."""
    span = high - low
    if span <= 0.0:
        return [low]
    step = nice(span / most)
    while span / step > most:
        step = nice(step * 2.5)
    first = math.ceil(low / step - 1e-9)
    return [number * step for number in range(first, math.floor(high / step + 1e-9) + 1)]
