"""The elevation: well-formed, the same figures as the balance, legible, and safe with hostile names."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.domain.balance.answer import balance
from service.domain.balance.drawing import elevation
from service.domain.balance.drawing_layout import labels, nice, spread, straightened, ticks, wrapped
from service.domain.balance.drawing_path import shape, tracks
from service.domain.balance.weighing import HangerWeighing, MissingWeight, Standing, Weighing
from service.domain.line_models.built import BuiltLine, SegmentPlace, SupportedHanger, WeighedItem
from service.engineering.frames.bends import Bends, arcs
from service.engineering.frames.elements import Straights
from service.engineering.frames.frame import ROTATION, TRANSLATION, Frame, Interface, Restraint
from service.errors import OutOfRange
from tests.lines.base import FULL_N_PER_M, SECOND_MOMENT_M4, YOUNG_PA, base_line, straight_frame, weight_case

SVG = "{http://www.w3.org/2000/svg}"
CASES = ("cold", "present", "hot", "test")
AXES = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
# Advances of a wide plain typeface over its letters' height, on the whole, by the kind of character. The
# test does not take the drawing's own estimate.
FIGURE, CAPITAL, SMALL, MARK = 0.64, 0.71, 0.56, 0.36


# --- lines ------------------------------------------------------------------------------------------------
def spring(mark: str, node: str, **fields: object) -> SupportedHanger:
    base = base_line().hangers[0]
    return replace(base, mark=mark, node=node, kind="variable", rate_n_per_m=60e3, **fields)  # type: ignore[arg-type]


def straight_line(count: int, name: str = "H{}") -> BuiltLine:
    """A straight line with so many variable springs, nine metres apart."""
    frame = straight_frame(count + 1)
    case = weight_case(frame)
    marks = [name.format(place + 1) for place in range(count)]
    segments = {
        f"S{span + 1}": SegmentPlace(
            tuple(range(9 * span, 9 * span + 9)), (), tuple(range(9 * span, 9 * span + 10)), 9.0
        )
        for span in range(count + 1)
    }
    return replace(
        base_line(),
        frames=dict.fromkeys(CASES, frame),
        cases=dict.fromkeys(CASES, case),
        hangers=tuple(spring(mark, mark) for mark in marks),
        items=(),
        unit_loads=(),
        nodes={mark: 9 * (place + 1) for place, mark in enumerate(marks)},
        segments=segments,
        thermal=frame.no_load(),
    )


def _sections(count: int) -> tuple[np.ndarray, ...]:
    figures = (0.0168, SECOND_MOMENT_M4, 2.0 * SECOND_MOMENT_M4, np.inf, YOUNG_PA, YOUNG_PA / 2.6)
    return tuple(np.full(count, figure) for figure in figures)


def branched_line() -> BuiltLine:
    """A riser, two bends, a run with a guide and a valve, and a branch that goes down; one nozzle moves."""
    x = np.array(
        [
            (0, 0, 0), (0, 0, 5), (0, 0, 10), (1, 0, 11), (6, 0, 11), (11, 0, 11), (16, 0, 11), (17, 1, 11),
            (17, 6, 11), (17, 12, 11), (11, 0, 10), (11, 0, 6), (11, 5, 6),
        ],
        dtype=float,
    )  # fmt: skip
    pairs = [(0, 1), (1, 2), (3, 4), (4, 5), (5, 6), (7, 8), (8, 9), (5, 10), (10, 11), (11, 12)]
    straights = Straights(np.array(pairs), *_sections(len(pairs)))
    bends = Bends(
        np.array([(2, 3), (6, 7)]), np.array([(0, 0, 11.0), (17, 0, 11.0)]), *_sections(2), np.full(2, 3.0)
    )
    held = [
        Restraint(node, axis, kind, name)
        for node, name in ((0, "nozzle"), (9, "anchor"), (12, "anchor"))
        for kind in (TRANSLATION, ROTATION)
        for axis in AXES
    ]
    held.append(Restraint(8, (1.0, 0.0, 0.0), TRANSLATION, "guide"))
    frame = Frame(x, straights, bends, held, [Interface(node) for node in (1, 4, 6, 10)])
    case = frame.no_load()
    case.straight_n_per_m[:, 2] = -FULL_N_PER_M
    case.bend_n_per_m[:, 2] = -FULL_N_PER_M
    case.nodal[5, 2] = -4000.0
    weights = dict.fromkeys(CASES, 4000.0)
    cover = dict.fromkeys(CASES, 1741.0)
    length = arcs(x, bends).length_m
    rows: Mapping[str, tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...], float]] = {
        "riser": ((0, 1), (0,), (0, 1, 2, 3), 10.0 + float(length[0])),
        "run": ((2, 3, 4), (1,), (3, 4, 5, 6, 7), 15.0 + float(length[1])),
        "end": ((5, 6), (), (7, 8, 9), 11.0),
        "drop": ((7, 8, 9), (), (5, 10, 11, 12), 10.0),
    }
    hangers = (
        spring("V1", "n1"),
        replace(spring("C1", "n4"), kind="constant", rate_n_per_m=0.0, released=True),
        replace(spring("R1", "n6"), kind="rigid"),
        spring("V2", "n10"),
    )
    return BuiltLine(
        dict.fromkeys(CASES, frame),  # type: ignore[arg-type]
        dict.fromkeys(CASES, case),  # type: ignore[arg-type]
        hangers,
        (
            WeighedItem("end", "segment", "insulation", cover, 0.25, (17.0, 6.0, 11.0)),
            WeighedItem("drop", "segment", "jacketing", cover, 0.0, (11.0, 0.0, 8.0)),
            WeighedItem("run", "segment", "insulation", cover, 1.0, (9.0, 0.0, 11.0)),
            WeighedItem("valve 7", "mass", "mass", weights, 1.0, (11.0, 0.0, 11.2)),
        ),
        (),
        {f"n{place}": place for place in range(len(x))},
        {name: SegmentPlace(*row) for name, row in rows.items()},
        frame.no_load(),
    )


def weighing(built: BuiltLine, half_n: float = 0.0, **fields: object) -> Weighing:
    """Figures of no line in particular, every one of them different."""
    verdicts = (("will", "upper"), ("may", "lower"), ("will_not", None), ("cannot_say", None))
    rows = {}
    for place, hanger in enumerate(built.hangers):
        verdict, end = verdicts[place % 4]
        cold = Standing(verdict, end, 0.0101 + place / 1000, 0.0052, 0.0203, 0.0034)  # type: ignore[arg-type]
        hot = Standing("will_not", None, -0.0107, -0.02, -0.004, 0.0222)
        load, out = 11000.0 + 137.0 * place, (-1) ** place * (410.0 + 31.0 * place)
        rows[hanger.mark] = HangerWeighing(
            hanger.mark,
            (load - half_n, load + half_n),
            None,
            (out - half_n, out + half_n),
            None,
            None,
            cold,
            hot,
        )
    missing = (MissingWeight("end", "insulation", 1305.75),)
    whole = Weighing(3, 41, rows, None, (), None, missing, half_n > 0.0, ("Wind is left out.",))
    return replace(whole, **fields)  # type: ignore[arg-type]


def drawn(built: BuiltLine, said: Weighing | None = None, **arguments: object) -> ET.Element:
    text = elevation(Analysis(built), said or weighing(built), **arguments)  # type: ignore[arg-type]
    return ET.fromstring(text)


def texts(root: ET.Element) -> list[str]:
    return [element.text or "" for element in root.iter(f"{SVG}text")]


def description(root: ET.Element) -> str:
    found = root.find(f"{SVG}desc")
    assert found is not None
    return found.text or ""


def _advance(each: str) -> float:
    if each in "0123456789+−":
        return FIGURE
    return CAPITAL if each.isupper() else SMALL if each.isalpha() else MARK


def text_boxes(root: ET.Element) -> list[tuple[str, float, float, float, float]]:
    """Left, top, right and bottom of every text, by the advances above."""
    found = []
    for element in root.iter(f"{SVG}text"):
        size, text = float(element.get("font-size", "12")), element.text or ""
        long = size * sum(map(_advance, text))
        long *= 1.1 if element.get("font-weight") else 1.0
        x, y = float(element.get("x", "0")), float(element.get("y", "0"))
        left = {"middle": x - long / 2, "end": x - long}.get(element.get("text-anchor", ""), x)
        found.append((text, left, y - 0.76 * size, left + long, y + 0.2 * size))
    return found


LINES = {
    "5": lambda: straight_line(5),
    "20": lambda: straight_line(20, "HR-20-{:02}"),
    "60": lambda: straight_line(60, "HR-20-{:02}"),
    "branched": branched_line,
}


# --- the document -----------------------------------------------------------------------------------------
@pytest.mark.parametrize("name", LINES)
def test_it_is_one_well_formed_image_with_title_and_description(name: str) -> None:
    root = drawn(LINES[name](), name="HR-20")
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    identifiers = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(identifiers) == len(set(identifiers))
    assert all(re.fullmatch(r"[a-z][a-z-]*", each or "") for each in identifiers)
    assert (root.get("aria-labelledby") or "").split() == ["line-title", "line-description"]
    first, second = list(root)[:2]
    assert (first.tag, first.get("id")) == (f"{SVG}title", "line-title")
    assert first.text == "Elevation of line HR-20"
    assert (second.tag, second.get("id")) == (f"{SVG}desc", "line-description")
    fills = " ".join(element.get("fill", "") for element in root.iter())
    used = set(re.findall(r"url\(#([^)]*)\)", fills))
    assert used <= set(identifiers)
    assert used


def test_it_holds_no_script_no_style_and_nothing_from_outside() -> None:
    text = elevation(Analysis(branched_line()), weighing(branched_line()))
    root = ET.fromstring(text)
    allowed = {"svg", "title", "desc", "defs", "pattern", "rect", "path", "circle", "g", "text"}
    assert {element.tag.removeprefix(SVG) for element in root.iter()} <= allowed
    assert not [
        name for element in root.iter() for name in element.attrib if name.startswith(("on", "style"))
    ]
    assert "href" not in text
    assert re.findall(r"https?://[^\"']*", text) == ["http://www.w3.org/2000/svg"]
    assert {element.get("font-family") for element in root.iter()} == {None, "sans-serif"}


def test_the_same_line_gives_the_same_bytes() -> None:
    one, other = branched_line(), branched_line()
    assert elevation(Analysis(one), weighing(one)) == elevation(Analysis(other), weighing(other))


@pytest.mark.parametrize(
    "name",
    [
        "<script>alert(1)</script>",
        "a&b\"c'd",
        "x]]>y",
        "bell\x07 and \x00",
        "turned \u202e round",
        "管支持",
        "m" * 300,
    ],
)
def test_hostile_names_are_text_and_nothing_else(name: str) -> None:
    built = branched_line()
    first = replace(built.hangers[0], mark=name)
    items = tuple(replace(item, owner=name) if item.kind == "mass" else item for item in built.items)
    nodes = {name: 0, **{key: value for key, value in built.nodes.items() if value}}
    hostile = replace(built, hangers=(first, *built.hangers[1:]), items=items, nodes=nodes)
    said = weighing(hostile, unheld=name, drifting=(name,), limits=(name,))
    text = elevation(Analysis(hostile), said, name=name)
    root = ET.fromstring(text)
    assert f"{SVG}script" not in {element.tag for element in root.iter()}
    assert not set("\x00\x07\u202e") & set("".join(root.itertext()))
    shown = re.sub("[\x00\x07\u202e]", "\ufffd", name)
    assert shown in description(root)
    label = shown if len(shown) <= 14 else shown[:13] + "…"
    assert texts(root).count(label) == 3  # a hanger, a mass and a nozzle
    assert _overlaps(text_boxes(root)) == []


# --- the figures ------------------------------------------------------------------------------------------
def test_labels_and_description_state_the_figures_of_the_balance() -> None:
    built = straight_line(5)
    root = drawn(built)
    words, spoken = texts(root), description(root)
    released = Analysis(built).state("present", released=[hanger.mark for hanger in built.hangers])
    for place, mark in enumerate(("H1", "H2", "H3", "H4", "H5")):
        assert mark in words
        locked = ["11.00", "11.14", "11.27", "11.41", "11.55"][place]
        out = ["+0.41", "−0.44", "+0.47", "−0.50", "+0.53"][place]
        assert words.count(locked) == 1
        assert words.count(out) == 1
        free = f"{released.force_n[place] / 1000:.2f}"
        assert free in words
        (line,) = [each for each in spoken.splitlines() if f" {mark}, " in each]
        assert f"{9 * (place + 1)} m: {mark}, variable spring; stops in; locked now {locked} kN" in line
        assert f"released cold {free} kN; out of balance {out} kN" in line
        assert "hot: will not reach an end of travel; stands at −10.7 mm" in line
    (first,) = [each for each in spoken.splitlines() if " H1, " in each]
    assert (
        "cold, all stops out: will reach the upper end of travel; stands at +10.1 mm from the locked "
        "position, +5.2 to +20.3 mm with friction; margin +3.4 mm" in first
    )
    assert [words.count(each) for each in ("will", "may")] == [2, 1]
    assert words.count("cannot say") == 1 + 1  # the legend has one


@pytest.mark.parametrize("loose", [False, True])
def test_its_figures_are_those_of_the_balance_answer(loose: bool) -> None:
    heights = {"height_error_m": None, "height_uncertainty_m": 0.003} if loose else {}
    built = base_line(bare_spans=(3,), kind="variable", rate_n_per_m=60e3, friction_n=300.0, **heights)
    analysis = Analysis(replace(built, surveyed=not loose))
    words = texts(ET.fromstring(elevation(analysis)))
    for row in balance(analysis, {})["hangers"]:
        now, out = row["loads"]["now"], row["out_of_balance"]
        for quantity in (now["low"], now["high"], row["loads"]["released_cold"]["value"]):
            assert quantity["unit"] == "kN"
            assert f"{quantity['value']:.2f}" in words
        for quantity in (out["low"], out["high"]):
            assert f"{quantity['value']:+.2f}".replace("-", "−") in words
    verdicts = [row["standing"]["released_cold"]["verdict"] for row in balance(analysis, {})["hangers"]]
    verdicts += [row["standing"]["hot"]["verdict"] for row in balance(analysis, {})["hangers"]]
    for verdict in ("will", "may", "will_not"):
        legend = 1 if verdict == "will_not" else 0
        assert words.count(verdict.replace("_", " ")) == verdicts.count(verdict) + legend


def test_a_line_that_nothing_holds_is_drawn_with_the_reason_and_without_a_settled_shape() -> None:
    built = base_line()
    frame = built.frames["present"]
    level = [each for each in frame.restraints if each.direction != AXES[2] or each.kind == ROTATION]
    level = [each for each in level if each.direction != AXES[1] or each.kind == TRANSLATION]
    loose = replace(frame, restraints=level)
    case = replace(built.cases["present"], imposed=np.zeros(len(level)))
    drifting = replace(
        built,
        frames=dict.fromkeys(CASES, loose),
        cases=dict.fromkeys(CASES, case),
        thermal=replace(built.thermal, imposed=np.zeros(len(level))),
    )
    root = ET.fromstring(elevation(Analysis(drifting)))
    words = " ".join(texts(root))
    assert "No settled shape is drawn. With every stop out nothing fixes the line's height" in words
    assert "Nothing fixes the line's height once these are out: H1, H2, H3, H4, H5." in words
    assert not [each for each in root.iter(f"{SVG}path") if each.get("stroke-dasharray") == "9 5"][1:]
    assert texts(root).count("cannot say") >= 10


def test_an_interval_shows_both_its_ends_and_is_called_indicative() -> None:
    root = drawn(straight_line(5), weighing(straight_line(5), 250.0))
    words, spoken = texts(root), description(root)
    for each in ("10.75", "11.25", "+0.16", "+0.66", "locked now, least, kN", "out of balance, most, kN"):
        assert each in words
    assert "locked now 10.75 to 11.25 kN" in spoken
    assert "out of balance +0.16 to +0.66 kN" in spoken
    assert "Indicative: the pick-up heights are not all surveyed." in words
    exact = drawn(straight_line(5))
    assert not [each for each in (*texts(exact), description(exact)) if "Indicative" in each]


def test_what_is_not_known_is_said_and_never_a_number() -> None:
    built = straight_line(5)
    said = weighing(built)
    nobody = Standing("cannot_say")
    nothing = HangerWeighing("H3", None, None, None, None, None, nobody, nobody)
    bare = replace(built.hangers[2], travel_low_m=None)
    unknown = replace(built, hangers=(*built.hangers[:2], bare, *built.hangers[3:]))
    root = drawn(unknown, replace(said, hangers={**said.hangers, "H3": nothing}))
    (line,) = [each for each in description(root).splitlines() if " H3, " in each]
    assert line == (
        "27 m: H3, variable spring; stops in; locked now not known; released cold not known; out of balance "
        "not known; cold, all stops out: cannot say whether it reaches an end of travel; hot: cannot say "
        "whether it reaches an end of travel."
    )
    assert texts(root).count("?") == 2 + 5  # its locked load and out-of-balance; nobody's released load
    (reason,) = [each for each in texts(root) if each.startswith("No settled shape is drawn. ")]
    assert reason.endswith(" H3.")


def test_a_bar_is_as_long_as_its_load_and_hatched_by_its_sense() -> None:
    root = drawn(straight_line(5))
    bars = [each for each in root.iter(f"{SVG}rect") if each.get("fill", "").startswith("url(#line-")][:5]
    lengths = [float(each.get("height", "0")) for each in bars]
    loads = [410.0, 441.0, 472.0, 503.0, 534.0]
    assert lengths == pytest.approx([load * lengths[0] / loads[0] for load in loads], abs=0.03)
    fills = [each.get("fill") for each in bars]
    assert fills == ["url(#line-rising)", "url(#line-falling)"] * 2 + ["url(#line-rising)"]
    tops = [float(each.get("y", "0")) for each in bars]
    assert tops[0] + lengths[0] == pytest.approx(tops[1], abs=0.02)  # up from the axis, down from the axis


def test_the_settled_shape_is_drawn_so_many_times_as_it_says() -> None:
    built = base_line(bare_spans=(3,), kind="variable", rate_n_per_m=60e3)
    analysis = Analysis(built)
    risen = analysis.state("present", released=analysis.marks).movement_m[2]
    heights = {}
    for times in (50.0, 100.0):
        root = drawn(built, exaggeration=times)
        assert f"drawn {times:g} times" in description(root)
        assert f"settled shape, × {times:g}" in texts(root)
        (shown, *_) = [each for each in root.iter(f"{SVG}path") if each.get("stroke-dasharray") == "9 5"]
        points = re.findall(r"([\d.]+) ([\d.]+)", shown.get("d", ""))
        heights[times] = float(points[0][1]) - float(points[27 * 8][1])  # anchor less third hanger
    units_per_m = (1100 - 176 - 44) / 54
    assert heights[50.0] == pytest.approx(risen * 50.0 * units_per_m, abs=0.02)
    assert heights[100.0] == pytest.approx(2 * heights[50.0], abs=0.03)


@pytest.mark.parametrize("times", [0.0, -1.0, 0.5, 10001.0, float("nan"), float("inf")])
def test_an_exaggeration_that_makes_no_drawing_is_refused(times: float) -> None:
    with pytest.raises(OutOfRange):
        drawn(straight_line(5), exaggeration=times)


def test_everything_on_the_line_is_named_on_its_track() -> None:
    root = drawn(branched_line())
    words, spoken = texts(root), description(root).splitlines()
    assert [each for each in words if each.startswith(("Main run", "Track"))] == [
        "Main run",
        "Track 2, a branch at 21.6 m of the main run",
    ]
    for each in ("nozzle", "anchor", "guide", "valve 7", "4.00 kN", "n8", "R1"):
        assert each in words
    assert "0 m: n0, nozzle." in spoken
    assert "Not wholly on: segment end: insulation 25 % on; 1.31 kN light." in spoken
    assert "Not wholly on: segment drop: jacketing 0 % on; 1.74 kN light." in spoken
    assert "a: segment end: insulation 25 % on; 1.31 kN light." in words
    (row,) = [each for each in spoken if " C1, " in each]
    assert "constant support; stops out;" in row
    (row,) = [each for each in spoken if " R1, " in each]
    assert "out of balance" not in row
    assert "stops" not in row


# --- legible ----------------------------------------------------------------------------------------------
def _overlaps(boxes: list[tuple[str, float, float, float, float]]) -> list[tuple[str, str]]:
    return [
        (one[0], other[0])
        for one, other in combinations(boxes, 2)
        if one[1] < other[3] and other[1] < one[3] and one[2] < other[4] and other[2] < one[4]
    ]


@pytest.mark.parametrize("half_n", [0.0, 250.0])
@pytest.mark.parametrize("name", LINES)
def test_no_text_covers_another_and_none_leaves_the_sheet(name: str, half_n: float) -> None:
    built = LINES[name]()
    root = drawn(built, weighing(built, half_n))
    wide, high = map(float, (root.get("viewBox") or "").split()[2:])
    boxes = text_boxes(root)
    assert len(boxes) > 5 * len(built.hangers)
    assert _overlaps(boxes) == []
    assert [box for box in boxes if box[1] < 0 or box[2] < 0 or box[3] > wide or box[4] > high] == []


def test_the_search_for_overlaps_finds_one() -> None:
    assert _overlaps([("a", 0, 0, 10, 10), ("b", 9, 9, 20, 20), ("c", 10, 0, 20, 9)]) == [("a", "b")]


def test_hangers_at_one_place_keep_their_labels_apart() -> None:
    built = straight_line(5)
    frame = built.frames["present"]
    crowded = replace(frame, interfaces=[Interface(node) for node in (26, 27, 27, 27, 28)])
    together = replace(
        built,
        frames=dict.fromkeys(CASES, crowded),
        hangers=tuple(spring(f"HR-20-{place:02}", "n") for place in range(5)),
    )
    # Three hangers at one node cannot be told apart by stiffness: the drawing says so and stands.
    root = drawn(together)
    assert _overlaps(text_boxes(root)) == []


def test_letters_are_as_large_on_a_long_line_as_on_a_short_one() -> None:
    sizes, widths = {}, {}
    for name in ("5", "20", "60"):
        built = LINES[name]()
        said = weighing(built)
        short = {mark: replace(row, cold=row.hot) for mark, row in said.hangers.items()}
        root = drawn(built, replace(said, hangers=short))
        widths[name] = float((root.get("width") or "").removesuffix("mm"))
        unit_mm = widths[name] / float((root.get("viewBox") or "").split()[2])
        letters = (float(each.get("font-size", "12")) for each in root.iter(f"{SVG}text"))
        sizes[name] = {round(size * unit_mm, 2) for size in letters}
    assert min(sizes["5"]) >= 2.5
    assert sizes["5"] == sizes["20"] == sizes["60"]
    assert widths["5"] == widths["20"] == 275.0  # across a sheet of A4
    assert widths["60"] > 600.0


@pytest.mark.parametrize("name", ["5", "20"])
def test_it_is_legible_when_it_is_fitted_to_a_sheet_of_a4_across(name: str) -> None:
    root = drawn(LINES[name]())
    wide, high = (float((root.get(side) or "").removesuffix("mm")) for side in ("width", "height"))
    fitted = min(1.0, 277.0 / wide, 190.0 / high)  # 10 mm of margin all round
    unit_mm = wide / float((root.get("viewBox") or "").split()[2])
    letters = [float(each.get("font-size", "12")) for each in root.iter(f"{SVG}text")]
    assert min(letters) * unit_mm * fitted >= 1.9
    assert 12.0 * unit_mm * fitted >= 2.25


# --- parts --------------------------------------------------------------------------------------------------
def test_the_main_run_is_the_longest_way_and_branches_follow() -> None:
    frame = branched_line().frames["present"]
    main, branch = tracks(frame)
    assert main.nodes == (0, 1, 2, 3, 4, 5, 6, 7, 8, 9)
    assert (branch.nodes, branch.parent) == ((5, 10, 11, 12), 0)
    quarter = np.pi / 2
    assert main.length_m == pytest.approx(10 + quarter + 15 + quarter + 11)
    assert branch.fork_m == pytest.approx(10 + quarter + 10)
    drawn_edges = sorted((edge.kind, edge.row) for track in (main, branch) for edge, _ in track.edges)
    assert drawn_edges == sorted([("straight", row) for row in range(10)] + [("bend", 0), ("bend", 1)])


def test_a_loop_is_drawn_whole() -> None:
    frame = straight_frame(2, 2)
    x = np.array([(0, 0, 0), (4, 0, 0), (4, 4, 0), (0, 4, 0), (-3, 0, 0)], dtype=float)
    pairs = np.array([(0, 1), (1, 2), (2, 3), (3, 0), (0, 4)])
    rows = replace(
        frame.straights,
        nodes=pairs,
        **{
            name: np.full(5, getattr(frame.straights, name)[0])
            for name in ("area_m2", "second_moment_m4", "torsion_m4", "shear_area_m2", "young_pa", "shear_pa")
        },
    )
    ring = replace(frame, coordinates=x, straights=rows, restraints=[], interfaces=[])
    found = [edge.row for track in tracks(ring) for edge, _ in track.edges]
    assert sorted(found) == [0, 1, 2, 3, 4]


def test_the_settled_shape_between_nodes_is_that_of_a_loaded_beam() -> None:
    """One element fixed at both ends under its weight: w L^4 / (384 E I) at its middle (handbook)."""
    frame = straight_frame(2, 1)
    built = replace(frame, interfaces=[Interface(1)])
    case = frame.no_load()
    case.straight_n_per_m[:, 2] = -1000.0
    from service.engineering.frames.solution import factorise

    factorised = factorise(built)
    held = factorised.condense([case])
    still = factorised.recover(case, np.zeros(1), -held.loads[:, 0])
    (track,) = tracks(built)
    moved = [movement for place, movement in shape(built, track, (case, still)) if place.distance_m == 4.5]
    assert moved == pytest.approx([-1000.0 * 9.0**4 / (384.0 * YOUNG_PA * SECOND_MOMENT_M4)])


def test_elements_that_run_the_other_way_draw_the_same_shape() -> None:
    built = branched_line()
    frame = built.frames["present"]
    turned = replace(
        frame,
        straights=replace(frame.straights, nodes=frame.straights.nodes[:, ::-1].copy()),
        bends=replace(frame.bends, nodes=frame.bends.nodes[:, ::-1].copy()),
    )
    shapes = []
    for each in (frame, turned):
        line = Analysis(replace(built, frames=dict.fromkeys(CASES, each)))
        state = line.state("present", released=line.marks)
        settled = (built.cases["present"], line.response("present", state))
        shapes.append([shape(each, track, settled) for track in tracks(each)])
    for one, other in zip(*shapes, strict=True):
        for (place, moved), (again, moved_again) in zip(one, other, strict=True):
            assert again == pytest.approx(place, abs=1e-9)
            assert moved_again == pytest.approx(moved, abs=1e-9)
    assert max(abs(moved) for _, moved in shapes[0][0]) > 1e-4


def test_the_elevation_of_a_bend_is_its_arc() -> None:
    frame = branched_line().frames["present"]
    points = [place for place, _ in shape(frame, tracks(frame)[0])]
    inside = [place for place in points if 10.0 < place.distance_m < 10.0 + np.pi / 2]
    assert len(inside) == 16
    for place in inside:
        assert place.elevation_m == pytest.approx(10.0 + np.sin(place.distance_m - 10.0))
    heights = [place.distance_m for place in points]
    assert heights == sorted(heights)


def test_places_are_kept_apart_and_near_what_they_belong_to() -> None:
    assert spread([10.0, 50.0, 90.0], 20.0, 0.0, 100.0) == [10.0, 50.0, 90.0]
    assert spread([50.0, 50.0, 50.0], 20.0, 0.0, 100.0) == [30.0, 50.0, 70.0]
    assert spread([0.0, 0.0], 20.0, 0.0, 100.0) == [0.0, 20.0]
    assert spread([100.0, 100.0], 20.0, 0.0, 100.0) == [80.0, 100.0]
    assert spread([], 20.0, 0.0, 100.0) == []


def test_labels_take_a_second_row_only_where_one_is_too_short() -> None:
    one = labels([50.0, 60.0], (40.0, 10.0), 0.0, 100.0)
    assert one.rows == (0, 0)
    two = labels([50.0, 60.0, 70.0], (40.0, 10.0), 0.0, 100.0)
    assert two.rows == (0, 1, 0)
    boxes = two.boxes(0.0, downward=True)
    assert not [pair for pair in combinations(boxes, 2) if pair[0].covers(pair[1])]
    leader = two.centres[1]
    assert all(abs(leader - two.centres[place]) > 20.0 for place in (0, 2))


def test_the_letter_of_a_bare_stretch_stands_in_its_middle() -> None:
    root = drawn(base_line(bare_spans=(3,)), weighing(base_line()))
    (letter,) = [each for each in root.iter(f"{SVG}text") if each.text == "a"]
    assert float(letter.get("x", "0")) == pytest.approx(176 + (1100 - 176 - 44) * 22.5 / 54, abs=1.0)


def test_points_on_a_straight_line_are_drawn_once() -> None:
    line = [(0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (3.0, 1.0), (4.0, 2.0), (5.0, 2.0)]
    assert straightened(line) == [(0.0, 0.0), (2.0, 0.0), (4.0, 2.0), (5.0, 2.0)]
    assert straightened(line[:1]) == [(0.0, 0.0)]


def test_scales_are_round() -> None:
    given = (0.9, 1.0, 1.9, 2.0, 4.9, 5.0, 73.0)
    assert [nice(value) for value in given] == [0.5, 1.0, 1.0, 2.0, 2.0, 5.0, 50.0]
    assert ticks(0.0, 54.0, 6) == [0.0, 10.0, 20.0, 30.0, 40.0, 50.0]
    assert ticks(3.0, 3.0, 6) == [3.0]
    assert wrapped("aa bb cccccc", 40.0) == ["aa bb", "cccccc"]
    assert wrapped("aa bb cccccc", 34.0) == ["aa", "bb", "ccccc", "c"]
