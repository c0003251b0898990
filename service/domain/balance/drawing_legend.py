"""Legend: every symbol of the drawing with its meaning, and bars by which its scales are measured."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final
from xml.etree.ElementTree import Element

from service.domain.balance import drawing_marks as marks
from service.domain.balance.drawing_layout import nice

_Draw = Callable[[Element, float, float], object]
_COLUMN: Final = 214.0
_ROW: Final = 29.0
_ROWS: Final = 4
_HALF: Final = 22.0  # of a sample's width


def legend(root: Element, top: float, width: float, along: float, up: float, times: float) -> float:
    """Draws the legend.

    Args:
        root: what it is added to
        top: where it begins
        width: of the sheet
        along, up: units of the drawing for a metre of distance and of elevation
        times: how many times the settled shape is drawn

    Returns:
        bottom: where what follows may begin
    """
    group = marks.add(root, "g")
    marks.path(group, [(16, top), (width - 16, top)], stroke=marks.PALE)
    for place, (draw, text) in enumerate(_items(along, up, times)):
        x, y = 16 + _COLUMN * (place // _ROWS), top + 20 + _ROW * (place % _ROWS)
        draw(group, x + _HALF, y)
        marks.write(group, x + 50, y + 4, text)
    return top + 20 + _ROW * _ROWS


def _items(along: float, up: float, times: float) -> list[tuple[_Draw, str]]:
    distance_m, settled_m = nice(2.0 * _HALF / along), nice(30.0 / (times * up))
    return [
        (_hanger("variable"), "variable spring"),
        (_hanger("constant"), "constant support"),
        (_hanger("rigid"), "rigid hanger"),
        (_hanger("constant", stopped=True), "with its stops in"),
        (marks.mass, "concentrated mass"),
        (lambda group, x, y: marks.holder(group, x, y, "anchor"), "anchor"),
        (lambda group, x, y: marks.holder(group, x, y, "nozzle"), "nozzle"),
        (lambda group, x, y: marks.holder(group, x, y, "guide"), "guide"),
        (lambda group, x, y: marks.pipe(group, _run(x, y), covered=True), "pipe"),
        (lambda group, x, y: marks.pipe(group, _run(x, y), covered=False), "insulation not on"),
        (_verdict("will", "upper"), "will reach its upper end"),
        (_verdict("may", "lower"), "may reach its lower end"),
        (_verdict("will_not", None), "will not"),
        (_verdict("cannot_say", None), "cannot say"),
        (lambda group, x, y: marks.settled(group, _run(x, y)), f"settled shape, × {times:g}"),
        (_bar(-10.0), "rod over spring"),
        (_bar(10.0), "rod under spring"),
        (_scale(distance_m * along), f"{distance_m:g} m along"),
        (_upright_scale(settled_m * times * up), f"{settled_m * 1000.0:g} mm of settled shape"),
    ]


def _run(x: float, y: float) -> list[marks.Point]:
    return [(x - _HALF, y), (x + _HALF, y)]


def _hanger(kind: str, *, stopped: bool = False) -> _Draw:
    return lambda group, x, y: marks.hanger(group, x, y + marks.HANGER_HEIGHT / 2.0, kind, stopped=stopped)


def _verdict(said: str, end: str | None) -> _Draw:
    return lambda group, x, y: marks.verdict(group, x, y, said, end)


def _bar(reach: float) -> _Draw:
    def draw(group: Element, x: float, y: float) -> None:
        tip = y + reach / 2.0
        marks.bar(group, x, y - reach / 2.0, tip, (tip - 5.0, tip + 5.0))

    return draw


def _scale(length: float) -> _Draw:
    def draw(group: Element, x: float, y: float) -> None:
        low, high = x - _HALF, x - _HALF + length
        marks.path(group, [(low, y - 4), (low, y), (high, y), (high, y - 4)])

    return draw


def _upright_scale(length: float) -> _Draw:
    def draw(group: Element, x: float, y: float) -> None:
        top, foot = y - length / 2.0, y + length / 2.0
        marks.path(group, [(x - 4, top), (x + 4, top), (x, top), (x, foot), (x - 4, foot), (x + 4, foot)])

    return draw
