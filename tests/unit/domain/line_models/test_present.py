"""What is on and in a line now: inspections first, then the model, then as designed."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.line_models.builder import build_line
from service.domain.line_models.built import BuiltLine
from tests.lines.models import q, riser_model, riser_records

WATER_KG_PER_M3 = 998.62  # 20 degC, 10 bar
STEAM_KG_PER_M3 = 49.39  # 540 degC, 16.5 MPa
BORE_M2 = 0.065525


def shares(present: Any = None) -> dict[tuple[str, str], float]:
    built = build_line(riser_model(), riser_records(), present=present)
    return {(item.owner, item.part): item.share_present for item in built.items}


def contents_kg(built: BuiltLine) -> float:
    """Mass of what is in 1 m of the first segment now."""
    item = next(item for item in built.items if item.owner == "header-1" and item.part == "contents")
    return item.share_present * item.weight_n["present"] / 9.80665 / 4.0


def test_what_nothing_states_is_taken_as_designed_and_named() -> None:
    built = build_line(riser_model(), riser_records())
    assert all(item.share_present == 1.0 for item in built.items if item.part != "contents")
    assert contents_kg(built) == 0.0
    assert built.present_not_stated[0] == "/present/contents"
    assert built.present_not_stated[1:] == tuple(f"/segments/{place}/insulation" for place in range(15))


def test_what_is_stated_is_not_named() -> None:
    seen = {"segments": {"run-1": {"insulation": 0.3}}, "contents": "empty"}
    named = build_line(riser_model(), riser_records(), present=seen).present_not_stated
    assert "/segments/7/insulation" not in named
    assert len(named) == 14
    whole = {"insulation": "complete", "contents": "empty"}
    assert build_line(riser_model(), riser_records(), present=whole).present_not_stated == ()


def test_an_inspection_of_a_segment_goes_before_one_of_the_line_and_that_before_the_model() -> None:
    model = {
        "segments": [{"segment": name, "insulation": 0.2, "jacketing": 0.1} for name in ("run-1", "run-2")]
    }
    built = build_line(riser_model(present=model), riser_records())
    found = {(item.owner, item.part): item.share_present for item in built.items}
    assert (found[("run-1", "insulation")], found[("run-1", "jacketing")]) == (0.2, 0.1)
    assert found[("run-3", "insulation")] == 1.0
    seen = {"insulation": "complete", "segments": {"RUN-2": {"insulation": 0.6}}}
    built = build_line(riser_model(present=model), riser_records(), present=seen)
    found = {(item.owner, item.part): item.share_present for item in built.items}
    assert found[("run-1", "insulation")] == 1.0
    assert found[("run-2", "insulation")] == 0.6
    # Nothing was seen of the jacketing: the model's word stays.
    assert found[("run-1", "jacketing")] == 0.1


@pytest.mark.parametrize(("word", "expected"), [("complete", 1.0), ("none", 0.0), ("incomplete", 1.0)])
def test_words_for_the_whole_line(word: str, expected: float) -> None:
    found = shares({"insulation": word, "jacketing": word})
    assert found[("riser-2", "insulation")] == expected
    assert found[("riser-2", "jacketing")] == expected


def test_incomplete_leaves_a_segment_unstated() -> None:
    built = build_line(riser_model(), riser_records(), present={"insulation": "incomplete"})
    assert "/segments/0/insulation" in built.present_not_stated


def test_jacketing_that_nothing_states_is_on_where_its_insulation_is() -> None:
    found = shares(
        {"segments": {"run-1": {"insulation": 0.0}, "run-2": {"insulation": 0.0, "jacketing": 0.5}}}
    )
    assert found[("run-1", "jacketing")] == 0.0
    assert found[("run-2", "jacketing")] == 0.5


def test_masses_are_in_place_unless_something_says_otherwise() -> None:
    assert shares()[("valve", "mass")] == 1.0
    assert shares({"masses": {"VALVE": 0.25}})[("valve", "mass")] == 0.25
    model = riser_model(present={"masses": [{"mass": "valve", "share": 0.5}]})
    built = build_line(model, riser_records())
    assert built.items[-1].share_present == 0.5
    built = build_line(model, riser_records(), present={"masses": {"valve": 0.0}})
    assert built.items[-1].share_present == 0.0


@pytest.mark.parametrize(
    ("contents", "density"), [("empty", 0.0), ("operating", STEAM_KG_PER_M3), ("water", WATER_KG_PER_M3)]
)
def test_contents_weigh_by_what_is_in_the_line(contents: str, density: float) -> None:
    by_inspection = build_line(riser_model(), riser_records(), present={"contents": contents})
    assert contents_kg(by_inspection) == pytest.approx(density * BORE_M2, rel=1e-4)
    by_model = build_line(riser_model(present={"contents": contents}), riser_records())
    assert contents_kg(by_model) == pytest.approx(density * BORE_M2, rel=1e-4)
    assert "/present/contents" not in by_model.present_not_stated


def test_what_was_seen_in_the_line_goes_before_what_the_model_states() -> None:
    model = riser_model(present={"contents": "water"})
    assert contents_kg(build_line(model, riser_records(), present={"contents": "empty"})) == 0.0
    assert contents_kg(build_line(model, riser_records(), present={"contents": None})) > 0.0


def test_a_line_that_is_full_when_cold_is_full_where_nothing_states_otherwise() -> None:
    built = build_line(
        riser_model(line_contents={"cold": "water", "hot": "steam", "test": "water"}), riser_records()
    )
    assert contents_kg(built) == pytest.approx(WATER_KG_PER_M3 * BORE_M2, rel=1e-4)
    drained = build_line(
        riser_model(line_contents={"cold": "water", "hot": "steam", "test": "water"}),
        riser_records(),
        present={"contents": "empty"},
    )
    assert contents_kg(drained) == 0.0


def test_water_in_a_line_that_is_tested_empty_is_water_at_the_cold_temperature() -> None:
    model = riser_model(line_contents={"hot": "steam", "test": "empty"}, present={"contents": "water"})
    # 998.21 kg/m3 at 20 degC and 1 atm.
    assert contents_kg(build_line(model, riser_records())) == pytest.approx(998.21 * BORE_M2, rel=1e-4)


def test_a_segment_may_have_contents_of_its_own() -> None:
    model = riser_model()
    model["contents"].append({"id": "oil", "density": q(900, "kg/m3")})
    model["segments"][0]["contents"] = {"hot": "oil"}
    item = next(item for item in build_line(model, riser_records()).items if item.part == "contents")
    assert item.weight_n["hot"] / 9.80665 == pytest.approx(900 * BORE_M2 * 4.0, rel=1e-4)
    assert item.weight_n["test"] / 9.80665 == pytest.approx(WATER_KG_PER_M3 * BORE_M2 * 4.0, rel=1e-4)
    # The greatest that is ever in the line.
    assert item.weight_n["present"] == item.weight_n["test"]


def test_a_line_that_is_never_filled_has_no_contents_to_weigh() -> None:
    built = build_line(riser_model(line_contents={"hot": "empty", "test": "empty"}), riser_records())
    assert not any(item.part == "contents" for item in built.items)
