"""The builder: frames, weights, growth and imposed movements of a line model, against hand calculation."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.domain.balance.analysis import Analysis
from service.domain.line_models.builder import build_line
from service.domain.line_models.built import CASES, BuiltLine, WeighedItem
from service.engineering.frames.bends import Bends
from service.engineering.frames.elements import Straights
from service.engineering.frames.frame import Case, Frame
from service.engineering.frames.solution import Response, factorise
from tests.lines.base import FULL_N_PER_M, base_line
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

GRAVITY = 9.80665
SCHEMAS = Path(__file__).parents[4] / "schemas"
LOW_CHROME = {"id": "steel", "table": "low_chrome"}


def straight(**changes: Any) -> BuiltLine:
    return build_line(five_hanger_model(**changes), five_hanger_records())


def riser(**changes: Any) -> BuiltLine:
    return build_line(riser_model(**changes), riser_records())


def one_run(length_m: float = 30.0, **changes: Any) -> BuiltLine:
    """A straight run from an anchor at the origin along x, its far end free."""
    model = five_hanger_model(
        nodes=[node("A", 0, 0, 0), node("B", length_m, 0, 0)],
        segments=[{"id": "S", "from": "A", "to": "B", "pipe": "main"}],
        hangers=[],
        **{"materials": [LOW_CHROME], "anchors": [{"id": "A", "node": "A"}], **changes},
    )
    return build_line(model, {})


def solve(built: BuiltLine, frame: Frame, case: Case) -> Response:
    """The line without hangers under a case."""
    assert not built.hangers
    none = np.zeros(0)
    return factorise(frame).recover(case, none, none)


def without_shear(built: BuiltLine) -> BuiltLine:
    frame = built.frames["cold"]
    rigid = replace(frame.straights, shear_area_m2=np.full_like(frame.straights.shear_area_m2, np.inf))
    return replace(built, frames=dict.fromkeys(CASES, replace(frame, straights=rigid)))


def items_of(built: BuiltLine, owner: str) -> dict[str, WeighedItem]:
    return {item.part: item for item in built.items if item.owner == owner}


# --- the line of the worked cases ---------------------------------------------------------------------------
@pytest.mark.parametrize("bare", [(), (3,), (1, 6)])
def test_the_straight_line_is_that_of_the_worked_cases(bare: tuple[int, ...]) -> None:
    present = {"segments": [{"segment": f"S{span}", "insulation": 0, "jacketing": 0} for span in bare]}
    built, expected = straight(present=present), base_line(bare_spans=bare)
    found, wanted = Analysis(without_shear(built)), Analysis(expected)
    for case in CASES:
        # The worked cases take the second moment to six figures.
        stiffness = wanted.condensed(case).stiffness
        assert np.allclose(found.condensed(case).stiffness, stiffness, rtol=5e-6, atol=5e-6 * stiffness.max())
        assert np.allclose(found.load_n(case), wanted.load_n(case), rtol=1e-7)
    assert [hanger.mark for hanger in built.hangers] == [hanger.mark for hanger in expected.hangers]


def test_its_hangers_are_those_of_the_worked_cases() -> None:
    for found, expected in zip(straight().hangers, base_line().hangers, strict=True):
        # Capacities there are rounded to four figures; rods and steel count as rigid in both.
        assert found.rod_capacity_n == pytest.approx(expected.rod_capacity_n, rel=1e-4)
        assert found.rod_test_capacity_n == pytest.approx(expected.rod_test_capacity_n, rel=1e-3)
        same = {"rod_capacity_n": 0.0, "rod_test_capacity_n": 0.0, "rigid_parts": ()}
        assert replace(found, **same) == replace(expected, **same)  # type: ignore[arg-type]


def test_shear_softens_the_line_by_about_one_percent() -> None:
    found = Analysis(straight()).condensed("cold").stiffness[2, 2]
    assert 0.97 < found / Analysis(base_line()).condensed("cold").stiffness[2, 2] < 0.998


# --- weights ------------------------------------------------------------------------------------------------
def test_the_parts_of_a_segment_weigh_what_a_hand_calculation_says() -> None:
    # NPS 12 Sch 80: 132.05 kg/m, bore 288.84 mm: 65.525 l/m. Cover of 150 mm: pi/4 (0.6238^2 - 0.3238^2) =
    # 0.22327 m2 at 160 kg/m3; sheet pi 0.6238 = 1.9597 m at 2.16 kg/m2 and a tenth for laps. Water 20 degC,
    # 10 bar: 998.62 kg/m3; steam 540 degC, 16.5 MPa: 49.39 kg/m3.
    parts = items_of(riser(), "header-1")
    length = 4.0
    assert parts["pipe"].weight_n["cold"] / GRAVITY == pytest.approx(132.05 * length, rel=1e-5)
    assert parts["insulation"].weight_n["cold"] / GRAVITY == pytest.approx(0.22327 * 160 * length, rel=2e-5)
    assert parts["jacketing"].weight_n["cold"] / GRAVITY == pytest.approx(
        1.9597 * 2.16 * 1.1 * length, rel=3e-5
    )
    contents = parts["contents"].weight_n
    assert contents["cold"] == 0.0
    assert contents["hot"] / GRAVITY == pytest.approx(0.065525 * 49.39 * length, rel=2e-4)
    assert contents["test"] / GRAVITY == pytest.approx(0.065525 * 998.62 * length, rel=3e-5)


def test_a_bend_weighs_by_the_length_of_its_arc() -> None:
    built = riser()
    arc = math.pi / 2.0 * 0.4572
    assert built.segments["elbow-1"].length_m == pytest.approx(arc, rel=1e-12)
    weight = items_of(built, "elbow-1")["pipe"].weight_n["cold"]
    assert weight / GRAVITY == pytest.approx(132.05 * arc, rel=1e-5)


def test_a_mass_weighs_in_every_case_and_stands_at_its_node() -> None:
    item = items_of(riser(), "valve")["mass"]
    assert dict(item.weight_n) == dict.fromkeys(CASES, pytest.approx(1200 * GRAVITY))
    assert item.centre_m == (8.0, 12.0, 10.0)


def _nodal(frame: Frame, case: Case) -> np.ndarray:
    """Equivalent loads on the nodes, (k, 6), growth left out."""
    cold = replace(
        case, straight_strain=np.zeros_like(case.straight_strain), bend_strain=np.zeros_like(case.bend_strain)
    )
    total = case.nodal.copy()
    nodes, _ = frame.members()
    for (a, b), loads in zip(nodes, frame.member_loads(cold), strict=True):
        total[a] += loads[:6]
        total[b] += loads[6:]
    return total


@pytest.mark.parametrize("case", CASES)
def test_loads_and_items_have_one_weight_and_one_centre(case: str) -> None:
    built = riser(present={"contents": "water", "segments": [{"segment": "run-1", "insulation": 0.25}]})
    loads = _nodal(built.frames[case], built.cases[case])  # type: ignore[index]
    weights = [
        item.weight_n[case] * (item.share_present if case == "present" else 1.0) for item in built.items
    ]
    assert loads[:, 2].sum() == pytest.approx(-sum(weights), rel=1e-12)
    about = np.cross(built.frames["cold"].coordinates, loads[:, :3]) + loads[:, 3:]
    by_items = sum(
        np.cross(item.centre_m, (0.0, 0.0, -weight))
        for item, weight in zip(built.items, weights, strict=True)
    )
    assert about.sum(axis=0) == pytest.approx(by_items, rel=1e-9, abs=1e-6)


def test_a_unit_load_is_one_item_alone() -> None:
    built = riser()
    assert len(built.unit_loads) == len(built.items)
    for item, case in zip(built.items, built.unit_loads, strict=True):
        assert _nodal(built.frames["cold"], case)[:, 2].sum() == pytest.approx(
            -item.weight_n["present"], rel=1e-12
        )
        assert not case.straight_strain.any()
        assert not case.imposed.any()
    valve = built.unit_loads[-1]
    assert valve.nodal[built.nodes["N13"], 2] == pytest.approx(-1200 * GRAVITY)
    assert len(built.unit_loads[2:5]) == 3
    assert (built.unit_loads[2:5][0].straight_n_per_m == built.unit_loads[2].straight_n_per_m).all()
    with pytest.raises(IndexError):
        built.unit_loads[len(built.items)]


def test_unit_loads_by_their_shares_make_the_line_as_it_stands() -> None:
    built = riser(
        present={
            "contents": "operating",
            "segments": [{"segment": "run-2", "insulation": 0.5, "jacketing": 0}],
            "masses": [{"mass": "valve", "share": 0.4}],
        }
    )
    total = sum(
        item.share_present * _nodal(built.frames["cold"], case)
        for item, case in zip(built.items, built.unit_loads, strict=True)
    )
    assert total == pytest.approx(_nodal(built.frames["cold"], built.cases["present"]), rel=1e-9, abs=1e-6)


def test_the_uniform_weight_of_the_straight_line_is_that_of_the_cases() -> None:
    case = straight().cases["cold"]
    assert case.straight_n_per_m[:, 2] == pytest.approx(-FULL_N_PER_M, rel=1e-6)
    assert not case.straight_n_per_m[:, :2].any()


# --- cold and hot -------------------------------------------------------------------------------------------
def test_a_free_run_of_30_m_grows_by_226_mm_to_1000_degf() -> None:
    built = one_run(temperatures={"cold": q(70, "degF"), "hot": q(1000, "degF")})
    moved = solve(built, built.frames["hot"], built.thermal).displacements[built.nodes["B"]]
    # 8.1e-6/degF over 930 degF: 7.533 mm/m.
    assert moved == pytest.approx([30 * 8.1e-6 * 930, 0, 0, 0, 0, 0], abs=1e-9)
    assert moved[0] == pytest.approx(0.226, abs=5e-4)


def test_a_given_mean_expansion_is_that_from_cold_to_hot() -> None:
    given = {
        "id": "steel",
        "modulus_cold": q(200, "MPa"),
        "modulus_hot": q(150, "MPa"),
        "mean_expansion": q(10e-6, "1/degF"),
        "poissons_ratio": 0.25,
        "density": q(8000, "kg/m3"),
    }
    built = one_run(10.0, materials=[given], temperatures={"cold": q(50, "degF"), "hot": q(150, "degF")})
    moved = solve(built, built.frames["hot"], built.thermal).displacements[built.nodes["B"]]
    assert moved[0] == pytest.approx(10.0 * 10e-6 * 100)
    assert set(built.frames["cold"].straights.young_pa) == {200e6}
    assert set(built.frames["hot"].straights.young_pa) == {150e6}
    assert built.frames["cold"].straights.shear_pa[0] == pytest.approx(200e6 / 2.5)
    assert items_of(built, "S")["pipe"].weight_n["hot"] / GRAVITY == pytest.approx(
        10 * 132.05 * 8000 / 7850, rel=1e-5
    )


def test_a_given_value_goes_before_the_table() -> None:
    built = one_run(materials=[{**LOW_CHROME, "modulus_hot": q(160, "MPa")}])
    assert set(built.frames["hot"].straights.young_pa) == {160e6}
    assert set(built.frames["cold"].straights.young_pa) == {211e9}


def test_only_the_hot_frame_has_hot_moduli() -> None:
    built = riser()
    assert built.frames["cold"] is built.frames["present"]
    assert built.frames["cold"] is built.frames["test"]
    # Low chrome: 211 GPa cold; 174 at 500 and 169 at 550 degC: 170 at 540. Poisson's ratio 0.3.
    for frame, young in ((built.frames["cold"], 211e9), (built.frames["hot"], 170e9)):
        for elements in (frame.straights, frame.bends):
            assert elements.young_pa == pytest.approx(young, rel=1e-12)
            assert elements.shear_pa == pytest.approx(young / 2.6, rel=1e-12)
    assert (built.frames["hot"].coordinates == built.frames["cold"].coordinates).all()


def test_a_line_with_bends_and_a_riser_grows_in_likeness_when_it_is_free() -> None:
    model = riser_model(hangers=[], guides=[], nozzles=[], anchors=[{"id": "end", "node": "N16"}])
    built = build_line(model, {})
    moved = solve(built, built.frames["hot"], built.thermal).displacements
    # From 68 to 1004 degF: 8.1e-6/degF from 70 to 1000 and on, to 1004; 6.4e-6 for the two below 70.
    strain = 8.1e-6 * 934 + 6.4e-6 * 2
    frame = built.frames["hot"]
    expected = strain * (frame.coordinates - frame.coordinates[built.nodes["N16"]])
    assert moved[:, :3] == pytest.approx(expected, abs=1e-8)
    assert moved[:, 3:] == pytest.approx(0.0, abs=1e-8)


def test_a_segment_may_have_a_temperature_of_its_own() -> None:
    model = riser_model()
    for place in (9, 10):
        model["segments"][place]["hot_temperature"] = q(100, "degC")
    built = build_line(model, riser_records())
    hot, cold = built.frames["hot"], built.frames["cold"]
    branch = [*built.segments["branch-1"].straights, *built.segments["branch-2"].straights]
    assert set(hot.straights.young_pa[branch]) == {206e9}
    assert hot.straights.young_pa[built.segments["run-1"].straights[0]] == pytest.approx(170e9)
    assert set(cold.straights.young_pa) == {211e9}
    # 212 degF: a hair above the row of 200 degF, 6.7e-6/degF; 0.85 per mil.
    assert built.thermal.straight_strain[branch] == pytest.approx(0.97e-3, abs=0.01e-3)


def test_a_nozzle_moves_the_line_as_it_says_and_only_when_hot() -> None:
    nozzle = still("N", "A")
    nozzle["movement"] = {"x": q(5, "mm"), "y": q(-2, "mm"), "z": q(25, "mm")}
    nozzle["rotation"] = {"x": q(0, "deg"), "y": q(0.1, "deg"), "z": q(0.2, "deg")}
    same = {"cold": q(20, "degC"), "hot": q(20, "degC")}
    built = one_run(10.0, anchors=[], nozzles=[nozzle], temperatures=same)
    hot, cold = (solve(built, built.frames["hot"], built.cases[case]) for case in ("hot", "cold"))
    moved = (hot.displacements - cold.displacements)[built.nodes["B"]]
    # The free end follows as a rigid body: movement + rotation x (10, 0, 0): about y it sinks, about z it
    # goes to +y.
    y, z = math.radians(0.1), math.radians(0.2)
    assert moved == pytest.approx([0.005, -0.002 + 10 * z, 0.025 - 10 * y, 0, y, z], abs=1e-9)
    for case in ("cold", "present", "test"):
        assert not built.cases[case].imposed.any()  # type: ignore[index]
    assert (built.cases["hot"].imposed == built.thermal.imposed).all()


def test_the_hot_case_is_its_weight_with_growth_and_movements() -> None:
    built = riser()
    hot, thermal = built.cases["hot"], built.thermal
    assert (hot.straight_strain == thermal.straight_strain).all()
    assert (hot.bend_strain == thermal.bend_strain).all()
    assert hot.bend_strain == pytest.approx(8.1e-6 * 934 + 6.4e-6 * 2, rel=1e-9)
    assert not thermal.straight_n_per_m.any()
    assert not thermal.bend_n_per_m.any()
    assert not thermal.nodal.any()
    for case in ("cold", "present", "test"):
        assert not built.cases[case].straight_strain.any()  # type: ignore[index]
        assert not built.cases[case].bend_strain.any()  # type: ignore[index]


# --- the frame ----------------------------------------------------------------------------------------------
def bend_with(pipe: Document, radius_mm: float, **members: Any) -> Bends:
    side = radius_mm / 1000.0
    corner = {"x": q(side, "m"), "y": q(0, "m"), "z": q(0, "m")}
    built = build_line(
        five_hanger_model(
            materials=[LOW_CHROME],
            pipes=[{"id": "main", "material": "steel", **pipe}],
            nodes=[node("A", 0, 0, 0), node("B", side, side, 0)],
            segments=[
                {
                    "id": "S",
                    "from": "A",
                    "to": "B",
                    "pipe": "main",
                    "bend": {"corner": corner, "radius": q(radius_mm, "mm"), **members},
                }
            ],
            anchors=[{"id": "A", "node": "A"}],
            hangers=[],
        ),
        {},
    )
    return built.frames["cold"].bends


STANDARD_12 = {"nominal_size": "12", "schedule": "STD"}


@pytest.mark.parametrize(
    ("pipe", "radius_mm", "members", "expected"),
    [
        # Long-radius elbows as worked by handbooks: h 0.1765, 0.2242 and 0.7374.
        (STANDARD_12, 457.2, {}, 9.35),
        ({"nominal_size": "8", "schedule": "STD"}, 304.8, {}, 7.36),
        ({"nominal_size": "16", "schedule": "160"}, 609.6, {}, 2.238),
        (STANDARD_12, 457.2, {"flexibility": {"edition": "asme_b31.1_appendix_d"}}, 9.35),
        (STANDARD_12, 457.2, {"flexibility": {"edition": "asme_b31j_note_3"}}, 9.35 * 1.3 / 1.65),
        (STANDARD_12, 457.2, {"flexibility": {"factor": 3.5}}, 3.5),
        # A thick pipe in a wide bend: 1.65/h is 0.07, and the factor never below 1.
        ({"nominal_size": "2", "schedule": "160"}, 3000.0, {}, 1.0),
    ],
)
def test_a_bend_has_the_flexibility_of_its_edition(
    pipe: Document, radius_mm: float, members: Document, expected: float
) -> None:
    assert bend_with(pipe, radius_mm, **members).flexibility == pytest.approx([expected], rel=1.5e-3)


def test_a_corner_within_tolerance_is_put_midway_between_the_ends() -> None:
    bends = bend_with(STANDARD_12, 457.2)
    model_corner = np.array([0.4572, 0.0, 0.0])
    assert bends.corner[0] == pytest.approx(model_corner, abs=1e-12)
    off = {"corner": {"x": q(0.4577, "m"), "y": q(0, "m"), "z": q(0, "m")}}
    moved = bend_with(STANDARD_12, 457.2, **off).corner[0]
    assert math.dist(moved, (0, 0, 0)) == pytest.approx(math.dist(moved, (0.4572, 0.4572, 0)), rel=1e-12)


def test_elements_are_short_join_up_and_lie_on_their_segment() -> None:
    built = riser()
    frame = built.frames["cold"]
    for name, place in built.segments.items():
        elements: Straights | Bends = frame.bends if place.bends else frame.straights
        nodes = elements.nodes[list(place.bends or place.straights)]
        assert [tuple(pair) for pair in nodes] == list(pairwise(place.nodes)), name
        if place.bends:
            continue
        along = frame.coordinates[list(place.nodes)]
        steps = np.linalg.norm(np.diff(along, axis=0), axis=1)
        diameter = 0.2191 if name.startswith("branch") else 0.3238
        assert steps.max() <= 3.0 * diameter + 1e-9
        assert steps.sum() == pytest.approx(place.length_m, rel=1e-12)
        assert steps == pytest.approx(place.length_m / len(steps), rel=1e-9)


def test_the_subdivision_changes_nothing_that_the_hangers_feel() -> None:
    """A line whose elements are shared with 20 km of other pipe, so that a span has one, feels the same."""
    fine = Analysis(straight())
    names = ["A", "H1", "H2", "H3", "H4", "H5", "B"]
    coarse_model = five_hanger_model()
    # A tail of 20 km beyond the anchor carries nothing and takes the elements.
    coarse_model["nodes"].append(node("T", 20054, 0, 0))
    coarse_model["segments"].append({"id": "tail", "from": "B", "to": "T", "pipe": "main"})
    coarse_model["anchors"].append({"id": "T", "node": "T"})
    coarse = Analysis(build_line(coarse_model, five_hanger_records()))
    assert all(len(coarse.built.segments[f"S{place}"].straights) == 1 for place in range(1, len(names)))
    assert coarse.condensed("cold").stiffness == pytest.approx(fine.condensed("cold").stiffness, rel=1e-6)
    assert coarse.load_n("cold") == pytest.approx(fine.load_n("cold"), rel=1e-7)


def test_a_line_of_200_hangers_has_about_2000_elements() -> None:
    names = ["A", *(f"H{place}" for place in range(1, 201)), "B"]
    model = five_hanger_model(
        nodes=[node(name, 9.0 * place, 0, 0) for place, name in enumerate(names)],
        segments=[
            {"id": f"S{place}", "from": a, "to": b, "pipe": "main", "insulation": "cover"}
            for place, (a, b) in enumerate(pairwise(names))
        ],
        hangers=[{"mark": name, "node": name} for name in names[1:-1]],
    )
    one = five_hanger_records()["H1"]
    built = build_line(model, {name: {**one, "mark": name} for name in names[1:-1]})
    assert 1800 <= len(built.frames["cold"].straights.nodes) <= 2200
    assert len(built.hangers) == 200


def test_restraints_are_those_of_anchors_nozzles_and_guides() -> None:
    model = riser_model()
    model["guides"].append(
        {"id": "stop", "node": "N15", "directions": [{"x": 0, "y": 0.6, "z": 0.8}], "rotations": ["y"]}
    )
    model["hangers"].pop()
    built = build_line(model, riser_records())
    names = _count(each.name for each in built.frames["cold"].restraints)
    assert names == {
        "nozzle header": 6,
        "anchor end": 6,
        "anchor branch-end": 6,
        "guide riser-guide": 2,
        "guide stop": 2,
    }
    stop = [each for each in built.frames["cold"].restraints if each.name == "guide stop"]
    assert [(each.kind, each.direction) for each in stop] == [
        (0, pytest.approx((0.0, 0.6, 0.8))),
        (3, (0.0, 1.0, 0.0)),
    ]
    assert {each.node for each in stop} == {built.nodes["N15"]}


def _count(names: Iterable[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for name in names:
        found[name] = found.get(name, 0) + 1
    return found


def test_hangers_act_upward_at_their_nodes_in_the_order_of_the_model() -> None:
    built = riser()
    assert [hanger.mark for hanger in built.hangers] == list(riser_records())
    places = [built.nodes[name] for name in ("N2", "N5", "N9", "N11", "N14", "N15")]
    interfaces = built.frames["cold"].interfaces
    assert [each.node for each in interfaces] == places
    assert {each.direction for each in interfaces} == {(0.0, 0.0, 1.0)}


def test_the_line_in_space_settles_near_its_design_when_released_hot() -> None:
    analysis = Analysis(riser())
    state = analysis.state("hot", released=set(analysis.marks))
    for hanger, movement in zip(analysis.built.hangers, state.movement_m, strict=True):
        if hanger.design_movement_m is not None:
            assert movement == pytest.approx(hanger.design_movement_m, abs=1e-3)


# --- what is known besides ----------------------------------------------------------------------------------
def test_turns_and_released_hangers_are_found_whatever_the_case_of_their_marks() -> None:
    records = {mark.lower(): record for mark, record in five_hanger_records().items()}
    records["h4"]["design"]["load_adjustability"] = {"load_per_turn": q(100, "N")}
    built = build_line(
        five_hanger_model(),
        records,
        net_turns={"h2": -1.5},
        load_adjuster_turns={"h4": 3.0},
        released=["h3", "H5"],
    )
    assert built.hangers[3].spring_load_n == pytest.approx(14787.938 + 300)
    assert built.hangers[2].spring_load_n == pytest.approx(14787.938)
    assert [hanger.net_turns for hanger in built.hangers] == [0.0, -1.5, 0.0, 0.0, 0.0]
    assert [hanger.released for hanger in built.hangers] == [False, False, True, False, True]
    assert [hanger.mark for hanger in built.hangers] == ["H1", "H2", "H3", "H4", "H5"]


def test_a_line_is_surveyed_where_every_hanger_is() -> None:
    model = five_hanger_model()
    assert build_line(model, five_hanger_records()).surveyed
    model["hangers"][2]["height"] = {"uncertainty": q(5, "mm")}
    built = build_line(model, five_hanger_records())
    assert not built.surveyed
    assert built.hangers[2].height_error_m is None
    assert built.hangers[2].height_uncertainty_m == pytest.approx(0.005)
    del model["hangers"][2]["height"]
    built = build_line(model, five_hanger_records())
    assert built.hangers[2].height_uncertainty_m is None
    assert not straight(hangers=[]).surveyed


def test_a_short_rod_is_a_positive_height_error() -> None:
    model = five_hanger_model()
    model["hangers"][2]["height"] = {"error": q(5, "mm"), "uncertainty": q(1, "mm")}
    analysis = Analysis(build_line(model, five_hanger_records()))
    level = Analysis(straight()).state("cold").force_n
    assert analysis.state("cold").force_n[2] > level[2]


def test_what_the_model_leaves_out_is_said() -> None:
    model = five_hanger_model()
    built = build_line(model, five_hanger_records(), present={"segments": {"S9": {"insulation": 0.0}}})
    text = " ".join(built.limits)
    for word in (
        "friction",
        "gap",
        "swing",
        "pressure",
        "Valves",
        "large displacement",
        "earthquake",
        "Branches",
    ):
        assert word in text, word
    assert built.limits[-1] == "Inspections name segments that the model does not have: s9."
    records = five_hanger_records()
    records["H4"]["location"] = {"node": "N140"}
    records["H5"]["location"] = {"node": "h5"}
    assert build_line(model, records).limits[-1] == "Records name other nodes of these hangers: H4 (N140)."
    model["hangers"].pop(1)
    assert (
        build_line(model, five_hanger_records()).limits[-1]
        == "Hangers on record that the model does not place: H2."
    )


def test_the_examples_of_the_schema_build_with_those_of_the_record() -> None:
    records = json.loads((SCHEMAS / "hanger-record.schema.json").read_text())["examples"]
    for example in json.loads((SCHEMAS / "line-model.schema.json").read_text())["examples"]:
        built = build_line(example, {record["mark"]: record for record in records})
        assert {hanger.mark for hanger in built.hangers} == {entry["mark"] for entry in example["hangers"]}
        for case in CASES:
            assert np.isfinite(Analysis(built).load_n(case)).all()


def test_the_arguments_are_not_changed() -> None:
    model, records = riser_model(), riser_records()
    build_line(model, records, present={"segments": {"run-1": {"insulation": 0.5}}})
    assert model == riser_model()
    assert records == riser_records()
