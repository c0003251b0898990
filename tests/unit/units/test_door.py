"""The door between quantities and SI floats."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import MassForForce, OutOfRange, UnknownUnit
from service.units import (
    SYMBOLS,
    UCUM_CODES,
    Dimension,
    accepted_units,
    dimension_of,
    from_si,
    quantity_from_si,
    quantity_to_si,
    to_si,
)

SCHEMAS = Path(__file__).parents[3] / "schemas"

# By hand: exact definitions (inch 25.4 mm, pound 0.45359237 kg, standard gravity 9.80665 m/s2).
POUND_FORCE_N = 0.45359237 * 9.80665
EXPECTED = [
    (12.5, "kN", Dimension.FORCE, 12500.0),
    (2.0, "MN", Dimension.FORCE, 2e6),
    (1.0, "lbf", Dimension.FORCE, POUND_FORCE_N),
    (1.0, "[lbf_av]", Dimension.FORCE, POUND_FORCE_N),
    (2.0, "kgf", Dimension.FORCE, 19.6133),
    (25.4, "mm", Dimension.LENGTH, 0.0254),
    (1.0, "in", Dimension.LENGTH, 0.0254),
    (1.0, "[ft_i]", Dimension.LENGTH, 0.3048),
    (250.0, "lbf/in", Dimension.STIFFNESS, 250.0 * POUND_FORCE_N / 0.0254),
    (1.0, "lbf/ft", Dimension.STIFFNESS, POUND_FORCE_N / 0.3048),
    (1.0, "kgf/mm", Dimension.STIFFNESS, 9806.65),
    (1.0, "kN/mm", Dimension.STIFFNESS, 1e6),
    (9000.0, "psi", Dimension.STRESS, 9000.0 * POUND_FORCE_N / 0.0254**2),
    (1.0, "ksi", Dimension.STRESS, 1000.0 * POUND_FORCE_N / 0.0254**2),
    (1.0, "N/mm2", Dimension.STRESS, 1e6),
    (1.0, "bar", Dimension.PRESSURE, 1e5),
    (20.0, "degC", Dimension.TEMPERATURE, 293.15),
    (68.0, "degF", Dimension.TEMPERATURE, 293.15),
    (-40.0, "[degF]", Dimension.TEMPERATURE, 233.15),
    (300.0, "K", Dimension.TEMPERATURE, 300.0),
    (25.0, "%", Dimension.RATIO, 0.25),
    (0.25, "1", Dimension.RATIO, 0.25),
    (180.0, "deg", Dimension.ANGLE, math.pi),
    (1.0, "t", Dimension.MASS, 1000.0),
    (1.0, "lb", Dimension.MASS, 0.45359237),
    (1.0, "lb/ft3", Dimension.DENSITY, 0.45359237 / 0.3048**3),
    (1.0, "in2", Dimension.AREA, 0.0254**2),
    (1.0, "lbf*ft", Dimension.MOMENT, POUND_FORCE_N * 0.3048),
    (1.0, "lb/ft2", Dimension.MASS_PER_AREA, 0.45359237 / 0.3048**2),
    (12.0, "kg/m2", Dimension.MASS_PER_AREA, 12.0),
    (1.0, "1/degF", Dimension.EXPANSION, 1.8),
    (0.5, "1/K", Dimension.EXPANSION, 0.5),
]


@pytest.mark.parametrize(("value", "unit", "dimension", "expected"), EXPECTED, ids=lambda case: str(case))
def test_a_unit_has_the_factor_of_its_definition(
    value: float, unit: str, dimension: Dimension, expected: float
) -> None:
    assert to_si(value, unit, dimension) == pytest.approx(expected, rel=1e-14)


def test_round_decimal_factors_are_exact() -> None:
    assert to_si(60.0, "N/mm", Dimension.STIFFNESS) == 60000.0
    assert to_si(3.0, "kN", Dimension.FORCE) == 3000.0


@given(
    st.sampled_from([(dimension, unit) for dimension in Dimension for unit in accepted_units(dimension)]),
    st.floats(min_value=-1e12, max_value=1e12, allow_nan=False),
)
def test_going_to_si_and_back_gives_the_same_number(case: tuple[Dimension, str], value: float) -> None:
    dimension, unit = case
    back = from_si(to_si(value, unit, dimension), unit, dimension)
    assert back == pytest.approx(value, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(("value", "expected"), [(1.0, True), (-1.0, False)])
def test_the_sign_of_a_value_is_kept(value: float, expected: bool) -> None:
    assert all(
        (to_si(value, unit, dimension) > 0.0) is expected
        for dimension in Dimension
        if dimension is not Dimension.TEMPERATURE
        for unit in accepted_units(dimension)
    )


@pytest.mark.parametrize("unit", ["kg", "t", "lb", "[lb_av]", "lbs", "tonne"])
def test_a_mass_for_a_force_is_refused_with_the_hint(unit: str) -> None:
    with pytest.raises(MassForForce) as caught:
        to_si(1.0, unit, Dimension.FORCE)
    assert "kgf" in caught.value.facts["hint"]
    assert "gravity" in caught.value.facts["hint"]
    assert "kN" in caught.value.facts["accepted"]


@pytest.mark.parametrize("unit", ["kg/mm", "lb/in", "lb/ft"])
def test_a_mass_for_the_force_of_a_spring_rate_is_refused_with_the_hint(unit: str) -> None:
    with pytest.raises(MassForForce):
        to_si(1.0, unit, Dimension.STIFFNESS)


@pytest.mark.parametrize(
    "unit",
    ["", "kn", "KN", "N ", " N", "N\n", "9**9**9", "nan m", "1e400 m", "m", "J", "newton", "N" * 10_000],
)
def test_an_unknown_unit_of_force_is_refused_with_what_is_accepted(unit: str) -> None:
    with pytest.raises(UnknownUnit) as caught:
        to_si(1.0, unit, Dimension.FORCE)
    assert not isinstance(caught.value, MassForForce)
    assert caught.value.facts["accepted"] == ["N", "kN", "MN", "lbf", "kgf", "[lbf_av]"]
    assert len(caught.value.facts["given"]) <= 40


@pytest.mark.parametrize("unit", [None, 3, [], {}])
def test_a_unit_that_is_no_text_is_refused(unit: object) -> None:
    with pytest.raises(UnknownUnit):
        to_si(1.0, unit, Dimension.FORCE)  # type: ignore[arg-type]
    with pytest.raises(UnknownUnit):
        from_si(1.0, unit, Dimension.FORCE)  # type: ignore[arg-type]
    with pytest.raises(UnknownUnit):
        dimension_of(unit)  # type: ignore[arg-type]


def test_a_moment_in_joules_is_refused() -> None:
    with pytest.raises(UnknownUnit):
        to_si(1.0, "J", Dimension.MOMENT)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e308, 10**400])
def test_a_value_without_a_finite_si_value_is_refused(value: float) -> None:
    with pytest.raises(OutOfRange):
        to_si(value, "kN", Dimension.FORCE)


def test_an_si_value_that_is_not_finite_in_the_unit_is_refused() -> None:
    with pytest.raises(OutOfRange):
        from_si(1e308, "mm", Dimension.LENGTH)


def test_a_quantity_goes_in_and_out_as_an_object() -> None:
    assert quantity_to_si({"value": 12.5, "unit": "kN"}, Dimension.FORCE) == 12500.0
    assert quantity_from_si(0.1 + 0.2, "mm", Dimension.LENGTH) == {"value": 300.0, "unit": "mm"}


def test_every_spelling_has_a_dimension_and_a_shared_one_is_a_stress() -> None:
    assert dimension_of("kN") is Dimension.FORCE
    assert dimension_of("MPa") is Dimension.STRESS
    assert dimension_of("bar") is Dimension.PRESSURE
    with pytest.raises(UnknownUnit) as caught:
        dimension_of("furlong")
    assert "kN" in caught.value.facts["accepted"]


def test_a_spelling_means_the_same_in_every_dimension_that_accepts_it() -> None:
    shared: dict[str, set[float]] = {}
    for dimension in Dimension:
        for unit in accepted_units(dimension):
            shared.setdefault(unit, set()).add(to_si(1.0, unit, dimension))
    assert [unit for unit, values in shared.items() if len(values) > 1] == []


def test_every_symbol_has_its_ucum_code_as_second_spelling() -> None:
    for dimension, symbols in SYMBOLS.items():
        for symbol in symbols:
            assert UCUM_CODES[dimension][symbol.trade] == symbol.ucum
            assert to_si(7.0, symbol.ucum, dimension) == to_si(7.0, symbol.trade, dimension)


def test_the_quantity_schema_lists_exactly_the_accepted_units() -> None:
    definitions = json.loads((SCHEMAS / "quantity.schema.json").read_text())["$defs"]
    for name, definition in definitions.items():
        dimension = Dimension(definition["x-dimension"])
        assert sorted(definition["properties"]["unit"]["enum"]) == sorted(accepted_units(dimension)), name
