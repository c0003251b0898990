"""Whole documents in one system of units."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.units import PREFERRED, Dimension, System, accepted_units, convert_document, to_si
from service.units.documents import GREATEST

SCHEMAS = Path(__file__).parents[3] / "schemas"
RECORDS = json.loads((SCHEMAS / "hanger-record.schema.json").read_text())["examples"]

# By hand, from the exact definitions of inch, pound and standard gravity.
CASES = [
    ("si", {"value": 2800, "unit": "lbf"}, {"value": 12.4550205227, "unit": "kN"}),
    ("si", {"value": 5, "unit": "in"}, {"value": 127.0, "unit": "mm"}),
    ("si", {"value": 250, "unit": "lbf/in"}, {"value": 43.7817088116, "unit": "N/mm"}),
    ("si", {"value": 9000, "unit": "psi"}, {"value": 62.0528156385, "unit": "MPa"}),
    ("si", {"value": 10, "unit": "bar"}, {"value": 1.0, "unit": "MPa"}),
    ("si", {"value": 1000, "unit": "degF"}, {"value": 537.777777778, "unit": "degC"}),
    ("si", {"value": 0.25, "unit": "1"}, {"value": 25.0, "unit": "%"}),
    ("si", {"value": 1, "unit": "t"}, {"value": 1000.0, "unit": "kg"}),
    ("us", {"value": 540, "unit": "degC"}, {"value": 1004.0, "unit": "degF"}),
    ("us", {"value": 25.4, "unit": "mm"}, {"value": 1.0, "unit": "in"}),
    ("us", {"value": 1, "unit": "kN"}, {"value": 224.8089431, "unit": "lbf"}),
    ("us", {"value": 0.45359237, "unit": "kg"}, {"value": 1.0, "unit": "lb"}),
]


@pytest.mark.parametrize(("system", "given_quantity", "expected"), CASES, ids=lambda case: str(case))
def test_a_quantity_comes_in_the_unit_of_the_system(
    system: Any, given_quantity: dict[str, Any], expected: dict[str, Any]
) -> None:
    assert convert_document(given_quantity, system) == expected


@pytest.mark.parametrize("system", ["si", "us"])
def test_a_quantity_in_the_wanted_unit_stays_as_it_was_given(system: Any) -> None:
    for unit in PREFERRED[system].values():
        assert convert_document({"value": 0.1 + 0.2, "unit": unit}, system) == {
            "value": 0.1 + 0.2,
            "unit": unit,
        }


@pytest.mark.parametrize(
    "untouched",
    [
        {"value": True, "unit": "in"},
        {"value": "12", "unit": "in"},
        {"value": None, "unit": "in"},
        {"value": 1, "unit": "parsec"},
        {"value": 1, "unit": 3},
        {"value": 1, "unit": "in", "source": "drawing"},
        {"value": 1},
        "1 in",
        12,
        None,
        True,
    ],
)
def test_what_is_no_quantity_stays_as_it_was_given(untouched: Any) -> None:
    assert convert_document(untouched, "si") == untouched


def test_extensions_are_never_touched_at_any_depth() -> None:
    others = {"x": {"value": 1, "unit": "in"}}
    document = {"extensions": others, "rows": [{"extensions": others, "length": {"value": 1, "unit": "in"}}]}
    converted = convert_document(document, "si")
    assert converted["extensions"] == others
    assert converted["rows"][0]["extensions"] == others
    assert converted["rows"][0]["length"] == {"value": 25.4, "unit": "mm"}


def test_the_document_given_is_not_changed() -> None:
    record = copy.deepcopy(RECORDS[1])
    convert_document(RECORDS[1], "si")
    assert RECORDS[1] == record


def test_every_dimension_has_a_unit_in_both_systems() -> None:
    for units in PREFERRED.values():
        assert set(units) == set(Dimension)
        assert all(unit in accepted_units(dimension) for dimension, unit in units.items())


@given(
    st.sampled_from([(dimension, unit) for dimension in Dimension for unit in accepted_units(dimension)]),
    st.floats(min_value=0.001, max_value=1e6, allow_nan=False),
    st.sampled_from(["si", "us"]),
)
def test_a_converted_quantity_is_the_same_size(
    case: tuple[Dimension, str], value: float, system: Any
) -> None:
    dimension, unit = case
    converted = convert_document({"value": value, "unit": unit}, system)
    found = to_si(converted["value"], converted["unit"], dimension)
    assert found == pytest.approx(to_si(value, unit, dimension), rel=1e-11)


@pytest.mark.parametrize(
    ("quantity", "system"),
    [
        ({"value": 1e12, "unit": "kN/mm"}, "si"),
        ({"value": -1e12, "unit": "MN"}, "us"),
        ({"value": 5e-324, "unit": "mm"}, "us"),
        ({"value": 1e12, "unit": "K"}, "us"),
    ],
)
def test_a_quantity_that_the_system_cannot_hold_stays_in_its_own_unit(
    quantity: dict[str, Any], system: System
) -> None:
    assert convert_document(quantity, system) == quantity


def test_a_temperature_of_nothing_is_a_temperature() -> None:
    assert convert_document({"value": 32, "unit": "degF"}, "si") == {"value": 0.0, "unit": "degC"}


def test_the_greatest_value_is_that_of_the_schemas() -> None:
    bounds = {
        part["properties"]["value"]["maximum"]
        for part in json.loads((SCHEMAS / "quantity.schema.json").read_text())["$defs"].values()
    }
    assert bounds == {GREATEST}
