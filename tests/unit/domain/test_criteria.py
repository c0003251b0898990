"""Criteria: every limit with its source, defaults where a plant states none."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from referencing import Registry, Resource

from service.domain.criteria import DIMENSIONS, Criteria, complete, default_criteria
from service.engineering.materials import stress_bases
from service.errors import InvalidDocument, UnknownUnit
from service.units import Dimension
from tests.unit.domain.checks_samples import Document, plant_limit, q

SCHEMAS = Path(__file__).parents[3] / "schemas"
DOCUMENTS = [json.loads(path.read_text()) for path in sorted(SCHEMAS.glob("*.json"))]
REGISTRY: Registry[Any] = Registry().with_resources(
    [(document["$id"], Resource.from_contents(document)) for document in DOCUMENTS]
)
SCHEMA = json.loads((SCHEMAS / "criteria.schema.json").read_text())
VALIDATOR = Draft202012Validator(SCHEMA, registry=REGISTRY)

# By hand, in SI.
DEFAULTS = {
    "variability_max": 0.25,
    "deviation_max": 0.06,
    "total_travel_share": 0.2,
    "total_travel_least": 0.025,
    "reserve_share": 0.1,
    "reserve_least": 0.005,
    "rod_swing_max": math.radians(4),
    "rod_swing_attention": math.radians(5),
    "rod_offset_tolerance": math.radians(1),
    "rod_allowable_stress": 9000 * 6894.757293168,
    "unknown_steel_allowable_stress": 9500 * 6894.757293168,
    "thread_reduction": 0.25,
    "test_yield_share": 0.8,
    "unknown_steel_test_stress": 16000 * 6894.757293168,
    "engagement_diameters": 1.0,
    "record_agreement": 0.01,
    "record_agreement_length": 0.001,
    "nameplate_agreement": 0.01,
    "dimension_tolerance": 0.006,
    "elevation_accept": 0.006,
    "elevation_limit": 0.012,
    "cold_load_accept": 0.05,
    "cold_load_limit": 0.1,
    "hot_load_accept": 0.1,
    "hot_load_limit": 0.2,
    "load_sum_accept": 0.05,
    "load_sum_limit": 0.1,
    "load_setting_tolerance": 0.02,
    "position_least": 0.006,
    "position_share": 0.1,
    "position_attention_factor": 2.0,
    "travel_ratio_low": 0.8,
    "travel_ratio_high": 1.2,
    "travel_ratio_attention_low": 0.6,
    "travel_ratio_attention_high": 1.4,
    "reading_jump_least": 0.01,
    "reading_jump_share": 0.25,
    "cold_range_low": 263.15,
    "cold_range_high": 313.15,
    "bearing_valid_minutes": 60.0,
    "concession_days_max": 92.0,
    "hold_point_load": 0.1,
    "hold_point_movement": 0.006,
    "pair_turns_max": 0.5,
    "pair_reading_max": 0.006,
    "movement_seen_least": 0.002,
}


def test_the_defaults_are_those_written_here_by_hand() -> None:
    criteria = Criteria()
    assert {name: criteria.si(name) for name in criteria.names() if name != "separate_persons"} == {
        name: pytest.approx(value, rel=1e-9) for name, value in DEFAULTS.items()
    }
    assert criteria.flag("separate_persons") is True


def test_the_defaults_are_complete_valid_and_have_sources() -> None:
    document = default_criteria()
    VALIDATOR.validate(document)
    assert set(document["limits"]) == set(DIMENSIONS)
    for entry in document["limits"].values():
        assert (entry["source"] == "common practice, no source") is (
            entry["source_status"] == "common_practice"
        )


def test_only_what_was_read_in_a_standard_is_called_standard() -> None:
    read = {
        name for name, entry in default_criteria()["limits"].items() if entry["source_status"] == "standard"
    }
    assert read == {
        "deviation_max",
        "rod_allowable_stress",
        "unknown_steel_allowable_stress",
        "thread_reduction",
        "test_yield_share",
    }


def test_the_default_stresses_are_those_of_the_table_of_stress_bases() -> None:
    criteria = Criteria()
    assert criteria.si("rod_allowable_stress") == stress_bases()["handbook-table"].stress_pa
    assert criteria.si("unknown_steel_allowable_stress") == stress_bases()["unknown-steel"].stress_pa
    assert criteria.si("unknown_steel_test_stress") == stress_bases()["unknown-steel-test"].stress_pa


def test_the_schema_names_every_limit_and_no_other() -> None:
    assert set(SCHEMA["properties"]["limits"]["properties"]) == set(DIMENSIONS)
    assert SCHEMA["properties"]["limits"]["additionalProperties"] is False


def test_the_schema_gives_each_limit_its_dimension() -> None:
    for name, dimension in DIMENSIONS.items():
        definition = SCHEMA["properties"]["limits"]["properties"][name]["$ref"].removeprefix("#/$defs/")
        kind = definition.removesuffix("_limit")
        if dimension is None:
            assert kind in ("number_positive", "number_nonnegative", "number_from_one", "flag"), name
        else:
            assert kind.split("_")[0] == dimension.value, name


def test_a_limit_has_value_unit_and_source() -> None:
    limit = Criteria()["rod_allowable_stress"]
    assert limit.value_si == pytest.approx(62.0528e6, rel=1e-5)
    assert (limit.unit, limit.dimension) == ("psi", Dimension.STRESS)
    assert (limit.paragraph, limit.source_status) == ("Table 2.10", "standard")
    plain = Criteria()["bearing_valid_minutes"]
    assert (plain.value_si, plain.unit, plain.dimension) == (60.0, None, None)


def test_what_a_plant_states_replaces_the_default_and_nothing_else() -> None:
    stated: Document = {
        "limits": {"variability_max": plant_limit(q(0.15, "1")), "separate_persons": plant_limit(False)}
    }
    VALIDATOR.validate(stated)
    criteria = Criteria.from_document(stated)
    assert criteria.si("variability_max") == pytest.approx(0.15)
    assert criteria["variability_max"].source_status == "plant"
    assert criteria.flag("separate_persons") is False
    assert criteria.si("deviation_max") == pytest.approx(0.06)
    assert Criteria.from_document(None).si("variability_max") == 0.25


def test_the_defaults_cannot_be_changed_by_who_reads_them() -> None:
    default_criteria()["limits"].clear()
    complete(None)["limits"].clear()
    assert set(default_criteria()["limits"]) == set(DIMENSIONS)


@pytest.mark.parametrize(
    ("limits", "pointer"),
    [
        ({"elevation_accept": plant_limit(q(20, "mm"))}, "/limits/elevation_accept/value"),
        ({"elevation_limit": plant_limit(q(1, "mm"))}, "/limits/elevation_limit/value"),
        ({"cold_range_low": plant_limit(q(60, "degC"))}, "/limits/cold_range_low/value"),
        ({"rod_swing_max": plant_limit(q(6, "deg"))}, "/limits/rod_swing_max/value"),
        ({"thread_reduction": plant_limit(q(101, "%"))}, "/limits/thread_reduction/value"),
        ({"variability_max": plant_limit(q(1.01, "1"))}, "/limits/variability_max/value"),
    ],
)
def test_limits_that_contradict_each_other_are_refused_with_their_place(
    limits: Document, pointer: str
) -> None:
    with pytest.raises(InvalidDocument) as caught:
        Criteria({"limits": limits})
    assert [finding.pointer for finding in caught.value.errors] == [pointer]


def test_a_limit_that_is_not_known_is_refused() -> None:
    with pytest.raises(InvalidDocument) as caught:
        Criteria({"limits": {"variability": plant_limit(q(25, "%"))}})
    assert caught.value.errors[0].pointer == "/limits/variability"


def test_a_limit_in_a_unit_of_another_dimension_is_refused() -> None:
    with pytest.raises(UnknownUnit):
        Criteria({"limits": {"variability_max": plant_limit(q(25, "mm"))}})


@pytest.mark.parametrize(
    "limits",
    [
        {"variability": plant_limit(q(25, "%"))},
        {"variability_max": q(25, "%")},
        {"variability_max": plant_limit(25)},
        {"variability_max": plant_limit(q(0, "%"))},
        {"variability_max": plant_limit(q(25, "mm"))},
        {"variability_max": {"value": q(25, "%"), "source": "plant"}},
        {"separate_persons": plant_limit("no")},
        {"bearing_valid_minutes": plant_limit(0)},
        {"position_attention_factor": plant_limit(0.5)},
    ],
)
def test_the_schema_refuses_what_is_no_limit(limits: Document) -> None:
    assert not VALIDATOR.is_valid({"limits": limits})
