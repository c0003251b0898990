"""What the builder refuses: each fault with its rule, its pointer and what would be accepted, all at once."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from service.domain.line_models.builder import build_line
from service.errors import InvalidDocument
from tests.lines.models import (
    Document,
    five_hanger_model,
    five_hanger_records,
    node,
    q,
    riser_model,
    riser_records,
    still,
)

Change = Callable[[Document], Any]


def refused(
    model: Document, records: dict[str, Document] | None = None, **known: Any
) -> set[tuple[str, str]]:
    """Rule and pointer of every fault."""
    with pytest.raises(InvalidDocument) as caught:
        build_line(model, five_hanger_records() if records is None else records, **known)
    for finding in caught.value.errors:
        assert finding.place == "body"
        assert finding.detail.endswith(".")
        assert finding.accepted
    return {(finding.rule, str(finding.pointer)) for finding in caught.value.errors}


def straight(name: str, a: str, b: str) -> Document:
    return {"id": name, "from": a, "to": b, "pipe": "main"}


def material(**members: Any) -> Change:
    return lambda model: model.update(materials=[{"id": "steel", **members}])


def pipe(**members: Any) -> Change:
    return lambda model: model.update(pipes=[{"id": "main", "material": "steel", **members}])


def fill(**members: Any) -> Change:
    return lambda model: model.update(contents=[{"id": "x", **members}])


def guide(node_id: str, **members: Any) -> Change:
    return lambda model: model.update(guides=[{"id": "G", "node": node_id, **members}])


OF_THE_STRAIGHT_LINE: dict[str, tuple[Change, set[tuple[str, str]]]] = {
    "a node twice": (
        lambda model: model["nodes"].append(node("h1", 1, 1, 1)),
        {("duplicate-id", "/nodes/7/id")},
    ),
    "two nodes at one place": (
        lambda model: (
            model["nodes"].append(node("C", 9, 0, 0)),
            model["nodes"].append(node("D", 9, 0, 5)),
            model["segments"].append(straight("up", "C", "D")),
        ),
        {("same-place", "/nodes/7"), ("disconnected", "/nodes/7")},
    ),
    "a node without a segment": (
        lambda model: model["nodes"].append(node("C", 1, 1, 1)),
        {("disconnected", "/nodes/7")},
    ),
    "two pieces": (
        lambda model: model["segments"].pop(2),
        {("disconnected", "/nodes/3")},
    ),
    "a segment twice by id": (
        lambda model: model["segments"][1].update(id="s1"),
        {("duplicate-id", "/segments/1/id")},
    ),
    "a segment that ends where it begins": (
        lambda model: model["segments"].append(straight("none", "H1", "H1")),
        {("zero-length", "/segments/6")},
    ),
    "one path twice": (
        lambda model: model["segments"].append(straight("again", "H2", "H1")),
        {("drawn-twice", "/segments/6")},
    ),
    "a straight on top of another": (
        lambda model: model["segments"].append(straight("long", "H1", "H3")),
        {("drawn-twice", "/segments/6")},
    ),
    "an unknown node at a segment": (
        lambda model: model["segments"][0].update({"from": "Z"}),
        {("unknown-reference", "/segments/0/from")},
    ),
    "an unknown pipe": (
        lambda model: model["segments"][3].update(pipe="other"),
        {("unknown-reference", "/segments/3/pipe")},
    ),
    "an unknown insulation": (
        lambda model: model["segments"][3].update(insulation="other"),
        {("unknown-reference", "/segments/3/insulation")},
    ),
    "unknown contents of a segment": (
        lambda model: model["segments"][3].update(contents={"hot": "oil"}),
        {("unknown-reference", "/segments/3/contents/hot")},
    ),
    "unknown contents of the line": (
        lambda model: model.update(line_contents={"hot": "oil", "test": "empty"}),
        {("unknown-reference", "/line_contents/hot")},
    ),
    "no contents stated for hot and test": (
        lambda model: model.pop("line_contents"),
        {("contents-not-stated", "/line_contents/hot"), ("contents-not-stated", "/line_contents/test")},
    ),
    "contents called empty": (
        lambda model: model.update(contents=[{"id": "Empty", "density": q(1, "kg/m3")}]),
        {("reserved-id", "/contents/0/id")},
    ),
    "contents with nothing stated": (fill(), {("contents-not-stated", "/contents/0")}),
    "contents stated twice": (
        fill(density=q(1, "kg/m3"), water={"temperature": q(20, "degC"), "pressure": q(1, "bar")}),
        {("contents-not-stated", "/contents/0")},
    ),
    "water by temperature alone": (
        fill(water={"temperature": q(20, "degC")}),
        {("contents-not-stated", "/contents/0/water")},
    ),
    "water by pressure and saturation": (
        fill(water={"temperature": q(20, "degC"), "pressure": q(1, "bar"), "saturated": "liquid"}),
        {("contents-not-stated", "/contents/0/water")},
    ),
    "steam beyond the formulation": (
        fill(water={"temperature": q(900, "degC"), "pressure": q(60, "MPa")}),
        {("state-out-of-range", "/contents/0/water")},
    ),
    "boiling water": (
        fill(water={"temperature": q(100, "degC"), "pressure": q(0.101325, "MPa")}),
        {("state-out-of-range", "/contents/0/water")},
    ),
    "saturated above the critical point": (
        fill(water={"temperature": q(400, "degC"), "saturated": "vapour"}),
        {("state-out-of-range", "/contents/0/water")},
    ),
    "a material with nothing stated": (material(), {("material-not-stated", "/materials/0")}),
    "a material without its expansion": (
        material(
            modulus_cold=q(203, "MPa"),
            modulus_hot=q(203, "MPa"),
            poissons_ratio=0.3,
            density=q(7850, "kg/m3"),
        ),
        {("material-not-stated", "/materials/0")},
    ),
    "an unknown material": (
        pipe(material="other", nominal_size="12", schedule="80"),
        {("unknown-reference", "/pipes/0/material")},
    ),
    "a temperature beyond the table, said once": (
        lambda model: (
            material(table="carbon_steel")(model),
            model["temperatures"].update(hot=q(560, "degC")),
        ),
        {("temperature-out-of-table", "/temperatures/hot")},
    ),
    "a cold temperature below the table": (
        lambda model: (
            material(table="carbon_steel")(model),
            model["temperatures"].update(cold=q(-10, "degC")),
        ),
        {("temperature-out-of-table", "/temperatures/cold")},
    ),
    "a cold temperature below the table of expansion alone": (
        lambda model: (
            material(table="chrome_9", modulus_cold=q(213, "MPa"))(model),
            model["temperatures"].update(cold=q(-10, "degC")),
        ),
        {("temperature-out-of-table", "/temperatures/cold")},
    ),
    "a temperature of one segment beyond the table": (
        lambda model: (
            material(table="carbon_steel")(model),
            model["segments"][1].update(hot_temperature=q(600, "degC")),
        ),
        {("temperature-out-of-table", "/segments/1/hot_temperature")},
    ),
    "a size that does not exist": (
        pipe(nominal_size="7", schedule="80"),
        {("unknown-size", "/pipes/0/nominal_size")},
    ),
    "a schedule that does not exist": (
        pipe(nominal_size="30", schedule="160"),
        {("unknown-size", "/pipes/0/schedule")},
    ),
    "a size without schedule": (pipe(nominal_size="12"), {("pipe-not-stated", "/pipes/0")}),
    "a pipe without dimensions": (pipe(), {("pipe-not-stated", "/pipes/0")}),
    "a pipe both ways": (
        pipe(nominal_size="12", schedule="80", outside_diameter=q(1, "m"), wall=q(9, "mm")),
        {("pipe-not-stated", "/pipes/0")},
    ),
    "a pipe by size and wall": (
        pipe(nominal_size="12", wall=q(9, "mm")),
        {("pipe-not-stated", "/pipes/0")},
    ),
    "a wall of more than half the diameter": (
        pipe(outside_diameter=q(100, "mm"), wall=q(50.1, "mm")),
        {("wall-too-thick", "/pipes/0/wall")},
    ),
    "two anchors at a node": (
        lambda model: model["anchors"].append({"id": "C", "node": "A"}),
        {("held-twice", "/anchors/2/node")},
    ),
    "anchor and nozzle at a node": (
        lambda model: model.update(nozzles=[still("N", "A")]),
        {("held-twice", "/nozzles/0/node")},
    ),
    "a guide at an anchor": (guide("B", directions=["y"]), {("held-twice", "/guides/0/node")}),
    "a guide that holds nothing": (guide("H2"), {("holds-nothing", "/guides/0")}),
    "a direction held twice": (
        guide("H2", directions=["y", {"x": 0, "y": -1, "z": 0}]),
        {("held-twice", "/guides/0/directions/1")},
    ),
    "a third direction in the plane of two": (
        guide("H2", directions=["x", "y", {"x": 0.6, "y": 0.8, "z": 0}]),
        {("held-twice", "/guides/0/directions/2")},
    ),
    "a rotation held twice": (
        guide("H2", rotations=["z", "z"]),
        {("held-twice", "/guides/0/rotations/1")},
    ),
    "a vector that is not of unit length": (
        guide("H2", directions=[{"x": 0, "y": 0.9, "z": 0}]),
        {("not-of-unit-length", "/guides/0/directions/0")},
    ),
    "an unknown node at a guide": (
        guide("Z", directions=["y"]),
        {("unknown-reference", "/guides/0/node")},
    ),
    "an unknown node at a mass": (
        lambda model: model.update(masses=[{"id": "M", "node": "Z", "mass": q(1, "kg")}]),
        {("unknown-reference", "/masses/0/node")},
    ),
    "a mass twice": (
        lambda model: model.update(masses=[{"id": name, "node": "H1", "mass": q(1, "kg")} for name in "Mm"]),
        {("duplicate-id", "/masses/1/id")},
    ),
    "an unknown node at a hanger": (
        lambda model: model["hangers"][0].update(node="Z"),
        {("unknown-reference", "/hangers/0/node")},
    ),
    "a hanger that is not on record": (
        lambda model: model["hangers"][0].update(mark="H9"),
        {("unknown-hanger", "/hangers/0/mark")},
    ),
    "marks that are equal when case is ignored": (
        lambda model: (
            model["nodes"].append(node("C", 45, 2, 0)),
            model["segments"].append(straight("side", "H5", "C")),
            model["hangers"].append({"mark": "h1", "node": "C"}),
        ),
        {("duplicate-id", "/hangers/5/mark")},
    ),
    "a hanger at an anchor": (
        lambda model: model["hangers"][0].update(node="A"),
        {("node-not-free", "/hangers/0/node")},
    ),
    "two hangers at a node": (
        lambda model: model["hangers"][1].update(node="H1"),
        {("node-not-free", "/hangers/1/node")},
    ),
    "a hanger where a guide holds the height": (
        guide("H3", directions=["z"]),
        {("node-not-free", "/hangers/2/node")},
    ),
    "a hanger where two guides together hold the height": (
        guide("H3", directions=["y", {"x": 0, "y": 0.8, "z": 0.6}]),
        {("node-not-free", "/hangers/2/node")},
    ),
    "nothing that holds the line": (
        lambda model: (model.pop("anchors"), model.pop("hangers")),
        {("nothing-holds", "")},
    ),
    "an unknown segment in what is present": (
        lambda model: model.update(present={"segments": [{"segment": "S9", "insulation": 0}]}),
        {("unknown-reference", "/present/segments/0/segment")},
    ),
    "an unknown mass in what is present": (
        lambda model: model.update(present={"masses": [{"mass": "M", "share": 0}]}),
        {("unknown-reference", "/present/masses/0/mass")},
    ),
    "a segment twice in what is present": (
        lambda model: model.update(present={"segments": [{"segment": "S1", "insulation": 0}] * 2}),
        {("duplicate-id", "/present/segments/1/segment")},
    ),
    "a share above one": (
        lambda model: model.update(present={"segments": [{"segment": "S1", "jacketing": 1.01}]}),
        {("share", "/present/segments/0/jacketing")},
    ),
    "water in a line that is too cold for it": (
        lambda model: model.update(
            temperatures={"cold": q(-5, "degC"), "hot": q(20, "degC")}, present={"contents": "water"}
        ),
        {("state-out-of-range", "/temperatures/cold")},
    ),
}


@pytest.mark.parametrize("name", OF_THE_STRAIGHT_LINE)
def test_a_fault_of_the_straight_line_is_refused_where_it_stands(name: str) -> None:
    change, expected = OF_THE_STRAIGHT_LINE[name]
    model = copy.deepcopy(five_hanger_model())
    change(model)
    assert refused(model) == expected


def bend(**members: Any) -> Change:
    return lambda model: model["segments"][2]["bend"].update(members)


def corner(x: float, y: float, z: float) -> Change:
    return bend(corner={"x": q(x, "m"), "y": q(y, "m"), "z": q(z, "m")})


OF_THE_BENDS: dict[str, tuple[Change, set[tuple[str, str]]]] = {
    "unequal tangents": (corner(8.01, 0, 30), {("tangents-unequal", "/segments/2/bend/corner")}),
    "a corner on an end": (corner(8 - 0.4572, 0, 30), {("zero-length", "/segments/2/bend/corner")}),
    "no bend at all": (
        corner(8 - 0.2286, 0, 30 - 0.2286),
        {("no-bend", "/segments/2/bend/corner")},
    ),
    "a bend that goes back": (
        corner(8 - 0.2286 + 500, 0, 30 - 0.2286 + 500),
        {("no-bend", "/segments/2/bend/corner")},
    ),
    "another radius": (bend(radius=q(458.3, "mm")), {("radius-differs", "/segments/2/bend/radius")}),
    "the factor for right angles in another bend": (
        lambda model: (
            corner(8 - 0.05, 0, 30 - 0.05)(model),
            model["segments"][2]["bend"].update(
                radius=q(525.11, "mm"), flexibility={"edition": "asme_b31j_note_3"}
            ),
        ),
        {("edition-not-for-this-bend", "/segments/2/bend/flexibility/edition")},
    ),
    "one bend twice": (
        lambda model: model["segments"].append({**copy.deepcopy(model["segments"][2]), "id": "again"}),
        {("drawn-twice", "/segments/15")},
    ),
}


@pytest.mark.parametrize("name", OF_THE_BENDS)
def test_a_bend_that_does_not_fit_is_refused_where_it_stands(name: str) -> None:
    change, expected = OF_THE_BENDS[name]
    model = copy.deepcopy(riser_model())
    change(model)
    assert refused(model, riser_records()) == expected


def test_two_paths_between_two_nodes_are_two_segments() -> None:
    model = copy.deepcopy(riser_model())
    model["segments"].append(straight("tie", "N3", "N4"))
    loop = {**copy.deepcopy(model["segments"][2]), "id": "loop"}
    loop["bend"]["corner"] |= {"x": q(8 - 0.4572, "m"), "z": q(30 - 0.4572, "m")}
    model["segments"].append(loop)
    assert {"elbow-1", "tie", "loop"} <= build_line(model, riser_records()).segments.keys()


@pytest.mark.parametrize("millimetres", [456.3, 458.1])
def test_a_radius_within_a_millimetre_passes(millimetres: float) -> None:
    model = copy.deepcopy(riser_model())
    bend(radius=q(millimetres, "mm"))(model)
    assert build_line(model, riser_records()).segments["elbow-1"].bends == (0,)


def test_a_hanger_of_horizontal_action_is_refused() -> None:
    records = five_hanger_records()
    records["H2"]["line_of_action"] = "horizontal"
    assert refused(five_hanger_model(), records) == {("not-vertical", "/hangers/1/mark")}


def test_a_hanger_of_another_line_is_refused() -> None:
    records = five_hanger_records()
    records["H2"]["line"] = "L-9"
    assert refused(five_hanger_model(), records) == {("hanger-of-another-line", "/hangers/1/mark")}


@pytest.mark.parametrize("share", [-0.1, 1.1, float("nan"), True, "half"])
def test_a_share_seen_outside_0_to_1_is_refused(share: Any) -> None:
    seen = {"segments": {"S1": {"insulation": share}}}
    assert refused(five_hanger_model(), present=seen) == {("share", "/present/segments/S1/insulation")}
    assert refused(
        five_hanger_model(masses=[{"id": "M", "node": "H1", "mass": q(1, "kg")}]),
        present={"masses": {"M": share}},
    ) == {("share", "/present/masses/M")}


def test_all_faults_are_said_in_one_go() -> None:
    model = copy.deepcopy(five_hanger_model())
    model["nodes"].append(node("C", 1, 1, 1))
    pipe(nominal_size="12", schedule="999")(model)
    fill(water={"temperature": q(2000, "degC"), "pressure": q(99, "MPa")})(model)
    model["hangers"][0]["mark"] = "H9"
    model["anchors"].append({"id": "C", "node": "A"})
    assert refused(model) == {
        ("disconnected", "/nodes/7"),
        ("unknown-size", "/pipes/0/schedule"),
        ("state-out-of-range", "/contents/0/water"),
        ("unknown-hanger", "/hangers/0/mark"),
        ("held-twice", "/anchors/2/node"),
    }


def test_the_count_of_faults_is_said() -> None:
    with pytest.raises(InvalidDocument, match="has a fault"):
        build_line(five_hanger_model(guides=[{"id": "G", "node": "H1"}]), five_hanger_records())
    with pytest.raises(InvalidDocument, match="has 2 faults"):
        build_line(five_hanger_model(guides=[{"id": "G", "node": "Z"}]), five_hanger_records())
