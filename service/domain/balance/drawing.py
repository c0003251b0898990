"""Drawing: the elevation of a line as an SVG image, from the figures of its balance.

The line is unrolled: distance along its main run to the right, elevation upward, each branch on a track of
its own. Every figure that is drawn also stands in the image's description, for those who have it read out.
The image holds no script, no style sheet, no font and no reference to anything outside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final
from xml.etree.ElementTree import Element, tostring

from service.domain.balance import drawing_marks as marks
from service.domain.balance.analysis import Analysis
from service.domain.balance.drawing_layout import (
    LINE,
    SIZE,
    Labels,
    labels,
    nice,
    plain,
    room_for,
    spread,
    straightened,
    ticks,
    width,
    wrapped,
)
from service.domain.balance.drawing_legend import legend
from service.domain.balance.drawing_path import Place
from service.domain.balance.drawing_runs import (
    Run,
    described,
    remarks,
    runs_of,
    subtitle,
    title_of,
    track_title,
)
from service.domain.balance.drawing_sheet import (
    HOLDERS,
    HangerRow,
    Sheet,
    cells,
    hanger_sentence,
    sheet,
    shortened,
    signed,
)
from service.domain.balance.weigh import weigh
from service.domain.balance.weighing import Weighing
from service.errors import OutOfRange

UNITS_PER_MM: Final = 4.0
BASE_WIDTH: Final = 1100.0  # 275 mm: between the margins of A4 across
LEFT: Final = 176.0
RIGHT: Final = 44.0
_LEAST_UNITS_PER_M: Final = 2.5
_ELEVATION_ROOM: Final = 130.0
_SETTLED_ROOM: Final = 40.0
_BAR_ROOM: Final = 36.0
_FAN: Final = 20.0
_GREATEST_EXAGGERATION: Final = 10000.0
_GREATEST_CHOSEN: Final = 1000.0  # a line that hardly moves is not made to look as if it did


def elevation(
    analysis: Analysis,
    answer: Weighing | None = None,
    *,
    exaggeration: float | None = None,
    name: str | None = None,
) -> str:
    """The elevation of a line as an SVG document.

    Args:
        analysis: the line
        answer: what its balance says, whose figures are drawn; weighed anew where None is given
        exaggeration: how many times the settled shape is drawn, 1 to 10,000 [1]; chosen where None is given
        name: of the line, for the title

    Returns:
        the document; the same for the same arguments, byte for byte

    Raises:
        OutOfRange: the exaggeration is not from 1 to 10,000
    """
    if exaggeration is not None and not 1.0 <= exaggeration <= _GREATEST_EXAGGERATION:
        raise OutOfRange(
            "The settled shape is drawn 1 to 10,000 times.", exaggeration=exaggeration, least=1, most=10000
        )
    return _Drawing(analysis, sheet(analysis, answer or weigh(analysis)), exaggeration, name).document()


class _Drawing:
    """One drawing in the making."""

    def __init__(
        self, analysis: Analysis, figures: Sheet, exaggeration: float | None, name: str | None
    ) -> None:
        self._built = analysis.built
        self._sheet = figures
        self._name = plain(name) if name else None
        self._cells = cells(figures.hangers)
        self._runs, self._notes = runs_of(analysis.built, figures)
        self._scales(exaggeration)

    # --- what goes where ------------------------------------------------------------------------------------
    def _scales(self, exaggeration: float | None) -> None:
        cell = [
            width(text(row), bold=place == 0) + (14.0 if marked else 0.0)
            for place, (_, text, marked) in enumerate(self._cells)
            for row in self._sheet.hangers
        ]
        self._box = (max(cell, default=40.0) + 4.0, LINE * len(self._cells))
        words = [
            width(text)
            for run in self._runs
            for each in run.held
            for text in (each.kind, shortened(each.label))
        ]
        self._held_box = (max(words, default=40.0) + 4.0, LINE * 2)
        longest = max(run.track.length_m for run in self._runs)
        room = max(
            BASE_WIDTH - LEFT - RIGHT,
            longest * _LEAST_UNITS_PER_M,
            *(room_for(len(run.hangers), self._box[0]) for run in self._runs),
            *(room_for(len(run.held), self._held_box[0]) for run in self._runs),
        )
        self.width = math.ceil(LEFT + RIGHT + room)
        self._along = (self.width - LEFT - RIGHT) / longest
        spans = [_span([place.elevation_m for place, _ in run.points]) for run in self._runs]
        rise = max(high - low for low, high in spans)
        self._up = min(2.0 * self._along, _ELEVATION_ROOM / rise) if rise > 1e-6 else self._along
        moved = max(abs(movement) for run in self._runs for _, movement in run.points)
        self._times = exaggeration or 1.0
        if exaggeration is None and moved > 1e-9:
            self._times = min(max(nice(_SETTLED_ROOM / (moved * self._up)), 1.0), _GREATEST_CHOSEN)
        out = [abs(end) for row in self._sheet.hangers for end in row.out_n or ()]
        self._greatest_out_n = max(out, default=0.0)
        self._bar = _BAR_ROOM / self._greatest_out_n if self._greatest_out_n > 0.0 else 0.0

    def _x(self, distance_m: float) -> float:
        return LEFT + distance_m * self._along

    # --- the document ---------------------------------------------------------------------------------------
    def document(self) -> str:
        """The whole drawing."""
        root = Element("svg")
        title = marks.add(root, "title", id="line-title")
        title.text = title_of(self._name)
        description = marks.add(root, "desc", id="line-description")
        description.text = "\n".join([*described(self._sheet, self._runs, self._notes), *self._remarks()])
        marks.hatchings(root)
        paper = marks.add(root, "rect", x=0, y=0, fill=marks.PAPER)
        marks.write(root, 16, 26, title_of(self._name), font_size=18, font_weight="bold")
        marks.write(root, 16, 26 + LINE + 3, subtitle(self._sheet))
        y = 26 + 2 * LINE
        for number, run in enumerate(self._runs):
            y = self._track(root, number, run, y)
        y = legend(root, y + 8, self.width, self._along, self._up, self._times)
        height = math.ceil(self._noted(root, y) + 12)
        paper.set("width", str(self.width))
        paper.set("height", str(height))
        for key, value in (
            ("xmlns", "http://www.w3.org/2000/svg"),
            ("viewBox", f"0 0 {self.width} {height}"),
            ("width", f"{marks.number(self.width / UNITS_PER_MM)}mm"),
            ("height", f"{marks.number(height / UNITS_PER_MM)}mm"),
            ("role", "img"),
            ("aria-labelledby", "line-title line-description"),
            ("font-family", "sans-serif"),
            ("font-size", marks.number(SIZE)),
            ("fill", marks.INK),
        ):
            root.set(key, value)
        return tostring(root, encoding="unicode") + "\n"

    def _remarks(self) -> list[str]:
        return remarks(self._sheet, self._times, self._up / self._along)

    # --- one track ------------------------------------------------------------------------------------------
    def _track(self, root: Element, number: int, run: Run, top: float) -> float:
        group = marks.add(root, "g")
        y = top + LINE
        if len(self._runs) > 1:
            marks.write(group, 16, y, track_title(number, run), font_weight="bold")
            y += 8
        places = [self._x(run.track.distances_m[row.node]) for row in run.hangers]
        bars = spread(places, 14.0, LEFT, self.width - RIGHT)
        named = labels(bars, self._box, LEFT - 8, self.width - 4)
        zero = y + named.depth + _FAN + _BAR_ROOM
        if run.hangers:
            self._bar_axis(group, zero, self._x(run.track.length_m) + 6)
        low_u, high_u = _span([movement for _, movement in run.points])
        low_z, high_z = _span([place.elevation_m for place, _ in run.points])
        head = zero + _BAR_ROOM + 18 if run.hangers else y
        base = head + marks.HANGER_HEIGHT + 20 + max(0.0, high_u) * self._times * self._up
        self._elevations_m = (low_z, high_z, base)
        foot = base + (high_z - low_z) * self._up + 26 + max(0.0, -low_u) * self._times * self._up
        self._leaders(group, run, places, bars, named, (y, zero, head))
        self._elevation_axis(group, self._x(run.track.length_m) + 6)
        self._piping(group, run)
        foot = self._held(group, run, foot)
        self._hangers(group, run, places)
        self._label_texts(group, run, named, y)
        self._distance_axis(group, run, foot)
        return foot + 34

    def _y(self, elevation_m: float) -> float:
        _, high, base = self._elevations_m
        return base + (high - elevation_m) * self._up

    def _drawn(self, places: Iterable[Place]) -> list[marks.Point]:
        return [(self._x(place.distance_m), self._y(place.elevation_m)) for place in places]

    def _node_y(self, node: int) -> float:
        return self._y(float(self._built.frames["present"].coordinates[node, 2]))

    def _piping(self, group: Element, run: Run) -> None:
        marks.pipe(group, straightened(self._drawn(place for place, _ in run.points)), covered=True)
        lettered: list[tuple[float, str, float]] = []
        taken = [self._x(run.track.distances_m[each.node]) for each in run.held]
        for bare in run.bare:
            points = self._drawn(
                place for place, _ in run.points if bare.from_m - 1e-9 <= place.distance_m <= bare.to_m + 1e-9
            )
            line = straightened(points)
            marks.path(group, line, stroke=marks.PAPER, stroke_width=12)
            marks.pipe(group, line, covered=False)
            spot_x, spot_y = _clear_of(points, taken)
            lettered.append((spot_x, bare.letter, spot_y))
        if self._sheet.settled is not None:
            marks.settled(
                group,
                [
                    (self._x(place.distance_m), self._y(place.elevation_m) - moved * self._times * self._up)
                    for place, moved in run.points
                ],
            )
        spots = spread([x for x, _, _ in lettered], 18.0, LEFT, self.width - RIGHT)
        for spot, (_, letter, y) in zip(spots, lettered, strict=True):
            marks.letter(group, spot, y + 19, letter)

    def _leaders(
        self,
        group: Element,
        run: Run,
        places: Sequence[float],
        bars: Sequence[float],
        named: Labels,
        heights: tuple[float, float, float],
    ) -> None:
        top, zero, head = heights
        for row, x, bar, box, level in zip(
            run.hangers, places, bars, named.boxes(top, downward=False), named.rows, strict=True
        ):
            centre = box.x + box.width / 2.0
            points = [
                (centre, box.y + box.height + 2),
                (centre, top + named.depth),
                (bar, top + named.depth + _FAN - 8),
            ]
            points += [(bar, head - 14), (x, head), (x, self._node_y(row.node) - 8)]
            marks.path(group, points[0 if level else 1 :], stroke=marks.PALE, stroke_width=1.2)
            if row.out_n is not None and self._bar:
                ends = (zero - row.out_n[0] * self._bar, zero - row.out_n[1] * self._bar)
                marks.bar(group, bar, zero, (ends[0] + ends[1]) / 2.0, ends)

    def _hangers(self, group: Element, run: Run, places: Sequence[float]) -> None:
        for row, x in zip(run.hangers, places, strict=True):
            y = self._node_y(row.node)
            own = marks.add(group, "g")
            spoken = marks.add(own, "title")
            spoken.text = hanger_sentence(row)
            marks.path(own, [(x, y - 20), (x, y - 5)], stroke_width=1.6)
            marks.hanger(own, x, y - 18, row.kind, stopped=not row.released)
            marks.add(own, "circle", cx=x, cy=y, r=3.5, fill=marks.INK)

    def _label_texts(self, group: Element, run: Run, named: Labels, top: float) -> None:
        boxes = named.boxes(top, downward=False)
        for y in sorted({box.y for box in boxes}):
            for place, (heading, _, _) in enumerate(self._cells):
                base = y + LINE * place + SIZE
                marks.write(group, LEFT - 16, base, heading, text_anchor="end", fill=marks.DIM)
        for row, box in zip(run.hangers, boxes, strict=True):
            own = marks.add(group, "g")
            for place, (_, text, marked) in enumerate(self._cells):
                self._cell(
                    own, box.x + box.width / 2.0, box.y + LINE * place + SIZE, text(row), row, marked, place
                )

    @staticmethod
    def _cell(
        own: Element, x: float, base: float, text: str, row: HangerRow, marked: str, place: int
    ) -> None:
        bold = {"font_weight": "bold"} if place == 0 else {}
        standing = {"cold": row.cold, "hot": row.hot}.get(marked)
        if standing is None or row.kind == "rigid":
            marks.write(own, x, base, text, text_anchor="middle", **bold)
            return
        start = x - (width(text) + 14.0) / 2.0
        marks.verdict(own, start + 5, base - 4, standing.verdict, standing.end)
        marks.write(own, start + 14, base, text)

    def _held(self, group: Element, run: Run, top: float) -> float:
        """Anchors, nozzles, guides and masses with their labels below the pipe; where what follows begins."""
        if not run.held:
            return top
        places = [self._x(run.track.distances_m[each.node]) for each in run.held]
        named = labels(places, self._held_box, LEFT - 8, self.width - 4)
        boxes = named.boxes(top + 18, downward=True)
        for each, x, box, level in zip(run.held, places, boxes, named.rows, strict=True):
            centre, y = box.x + box.width / 2.0, self._node_y(each.node)
            points = [(x, y), (x, top), (centre, top + 16)] + ([(centre, box.y)] if level else [])
            marks.path(group, points, stroke=marks.PALE, stroke_width=1.2)
            if each.kind in HOLDERS:
                marks.holder(group, x, y, each.kind)
            else:
                marks.mass(group, x, y)
            own = marks.add(group, "g")
            for place, text in enumerate(part for part in (shortened(each.label), each.kind) if part):
                marks.write(own, centre, box.y + LINE * place + SIZE, text, text_anchor="middle")
        return top + 18 + named.depth

    # --- axes -----------------------------------------------------------------------------------------------
    def _bar_axis(self, group: Element, zero: float, end: float) -> None:
        marks.write(group, 16, zero + 4, "out of balance, kN", fill=marks.DIM)
        for value in _bar_ticks(self._greatest_out_n):
            y = zero - value * self._bar
            colour = marks.FAINT if value else marks.INK
            marks.path(group, [(LEFT - 10, y), (end, y)], stroke=colour)
            text = signed(value / 1000.0, 3).rstrip("0").rstrip(".")
            marks.write(group, LEFT - 12, y + 4, text, text_anchor="end", font_size=SIZE - 1)

    def _elevation_axis(self, group: Element, end: float) -> None:
        low, high, _ = self._elevations_m
        most = max(1, int((high - low) * self._up / 24))
        heights = ticks(low, high, most) if high - low > 1e-6 else [low]
        marks.write(group, 16, self._y(high) + 4, "elevation, m", fill=marks.DIM)
        for height in heights:
            y = self._y(height)
            marks.path(group, [(LEFT - 10, y), (end, y)], stroke=marks.FAINT)
            marks.write(group, LEFT - 12, y + 4, f"{height:.6g}".replace("-", "−"), text_anchor="end")

    def _distance_axis(self, group: Element, run: Run, top: float) -> None:
        end = run.track.length_m
        marks.path(group, [(self._x(0.0), top), (self._x(end), top)])
        marks.write(group, 16, top + 4, "distance along, m", fill=marks.DIM)
        for distance in ticks(0.0, end, max(1, int(end * self._along / 60))):
            x = self._x(distance)
            marks.path(group, [(x, top - 4), (x, top + 4)])
            marks.write(group, x, top + 16, f"{distance:.6g}", text_anchor="middle")

    def _noted(self, root: Element, top: float) -> float:
        y = top
        notes = [f"{letter}: {text}." for letter, text in self._notes] + self._remarks()
        for note in notes:
            for line in wrapped(note, min(self.width, BASE_WIDTH) - 32):
                marks.write(root, 16, y, line)
                y += LINE
        return y


# --- helpers ------------------------------------------------------------------------------------------------
def _bar_ticks(greatest_n: float) -> list[float]:
    if greatest_n <= 0.0:
        return [0.0]
    step = nice(greatest_n)
    count = int(greatest_n / step + 1e-9)
    return [place * step for place in range(-count, count + 1)]


def _clear_of(points: Sequence[tuple[float, float]], taken: Sequence[float]) -> tuple[float, float]:
    """The point nearest to the middle of a stretch with nothing else below it; the middle where none has."""
    middle = len(points) // 2
    order = sorted(range(len(points)), key=lambda place: (abs(place - middle), place))
    free = (points[place] for place in order if all(abs(points[place][0] - x) > 20.0 for x in taken))
    return next(free, points[middle])


def _span(values: Sequence[float]) -> tuple[float, float]:
    return min(values), max(values)
