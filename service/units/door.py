"""The one door between a caller's `{value, unit}` and the SI floats of the inside.

The factors are made once, at import, from the one registry over the allow-list, in exact
fractions and rounded to binary64 a single time. A caller's string is looked up, never parsed:
`9**9**9` would hang a parser of unit expressions, and `nan m` would pass one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import Any

import pint

from service.errors import MassForForce, OutOfRange, UnknownUnit
from service.units.symbols import (
    MASS_RATE_SPELLINGS,
    MASS_SPELLINGS,
    SI_DEFINITION,
    SYMBOLS,
    Dimension,
    Symbol,
)

_HINT = "A mass is not a force: give kgf or lbf, or multiply the mass by standard gravity (9.80665 m/s2)."


def _factor_and_offset(
    registry: pint.UnitRegistry[Any], symbol: Symbol, dimension: Dimension
) -> tuple[float, float]:
    """Factor and offset that make SI of a value in `symbol`: si = value * factor + offset."""
    si = SI_DEFINITION[dimension]
    if symbol.scale == "ratio":
        return float(registry.Quantity(Fraction(1), symbol.definition).to(si).magnitude), 0.0
    zero = Fraction(registry.Quantity(Fraction(0), symbol.definition).to(si).magnitude)
    one = Fraction(registry.Quantity(Fraction(1), symbol.definition).to(si).magnitude)
    return float(one - zero), float(zero)


def _tables() -> tuple[
    Mapping[Dimension, Mapping[str, float]], Mapping[Dimension, Mapping[str, float]], Mapping[str, Dimension]
]:
    """Factors and offsets by dimension and spelling, and the first dimension of each spelling."""
    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(non_int_type=Fraction, cache_folder=None)
    factors: dict[Dimension, Mapping[str, float]] = {}
    offsets: dict[Dimension, Mapping[str, float]] = {}
    owner: dict[str, Dimension] = {}
    for dimension, symbols in SYMBOLS.items():
        factor_of: dict[str, float] = {}
        offset_of: dict[str, float] = {}
        for symbol in symbols:
            factor, offset = _factor_and_offset(registry, symbol, dimension)
            for spelling in (symbol.trade, symbol.ucum):
                factor_of[spelling] = factor
                offset_of[spelling] = offset
                owner.setdefault(spelling, dimension)
        factors[dimension] = MappingProxyType(factor_of)
        offsets[dimension] = MappingProxyType(offset_of)
    return MappingProxyType(factors), MappingProxyType(offsets), MappingProxyType(owner)


FACTORS, OFFSETS, _OWNER = _tables()

UCUM_CODES: Mapping[Dimension, Mapping[str, str]] = MappingProxyType(
    {
        dimension: MappingProxyType({symbol.trade: symbol.ucum for symbol in symbols})
        for dimension, symbols in SYMBOLS.items()
    }
)


def accepted_units(dimension: Dimension) -> tuple[str, ...]:
    """Every accepted spelling of a dimension: the trade's symbols first, then UCUM codes that differ."""
    return tuple(
        dict.fromkeys(
            [symbol.trade for symbol in SYMBOLS[dimension]] + [symbol.ucum for symbol in SYMBOLS[dimension]]
        )
    )


def _refusal(unit: object, dimension: Dimension) -> UnknownUnit:
    """The error for a unit that the dimension does not accept, with the list that it does."""
    accepted = list(accepted_units(dimension))
    given = str(unit)[:40]
    masses = {Dimension.FORCE: MASS_SPELLINGS, Dimension.STIFFNESS: MASS_RATE_SPELLINGS}.get(dimension)
    if masses is not None and given in masses:
        return MassForForce(
            f"{given} is a unit of mass where {dimension.value} is wanted.",
            dimension=dimension.value,
            given=given,
            accepted=accepted,
            hint=_HINT,
        )
    return UnknownUnit(
        f"{given} is not an accepted unit of {dimension.value}.",
        dimension=dimension.value,
        given=given,
        accepted=accepted,
    )


def to_si(value: float, unit: str, dimension: Dimension) -> float:
    """A value in an accepted unit, as the SI float of its dimension.

    Args:
        value: the number as given; its sign is kept
        unit: a spelling of the allow-list, trade or UCUM
        dimension: what the field measures

    Returns:
        the value in the SI unit of the dimension (N, m, N/m, Pa, K, 1, rad, kg, kg/m3, m2,
            N*m, kg/m2, 1/K)

    Raises:
        MassForForce: a mass unit where a force or a spring rate is wanted
        UnknownUnit: any other unit that is not on the list
        OutOfRange: the value is not finite, or its SI value is not
    """
    try:
        factor, offset = FACTORS[dimension][unit], OFFSETS[dimension][unit]
    except (KeyError, TypeError):
        raise _refusal(unit, dimension) from None
    try:
        value_si = value * factor + offset
    except OverflowError:  # an integer beyond binary64
        value_si = math.inf
    if not math.isfinite(value_si):
        raise OutOfRange("The value is not a finite number in SI.", dimension=dimension.value, unit=unit)
    return value_si


def from_si(value_si: float, unit: str, dimension: Dimension) -> float:
    """An SI float in an accepted unit of its dimension; the inverse of `to_si`, with its errors."""
    try:
        factor, offset = FACTORS[dimension][unit], OFFSETS[dimension][unit]
    except (KeyError, TypeError):
        raise _refusal(unit, dimension) from None
    value = (value_si - offset) / factor
    if not math.isfinite(value):
        raise OutOfRange(
            "The value is not a finite number in this unit.", dimension=dimension.value, unit=unit
        )
    return value


def quantity_to_si(quantity: Mapping[str, Any], dimension: Dimension) -> float:
    """A `{"value", "unit"}` object as the SI float of the dimension; errors as `to_si`."""
    return to_si(quantity["value"], quantity["unit"], dimension)


def rounded(value: float) -> float:
    """A converted number with 12 significant digits, so that 12.5 kN does not read 12.500000000000002."""
    return float(f"{value:.12g}")


def quantity_from_si(value_si: float, unit: str, dimension: Dimension) -> dict[str, Any]:
    """An SI float as a `{"value", "unit"}` object, rounded to 12 significant digits; errors as `from_si`."""
    return {"value": rounded(from_si(value_si, unit, dimension)), "unit": unit}


def dimension_of(unit: str) -> Dimension:
    """The dimension of a spelling; of a unit that stress and pressure share, stress.

    Raises:
        UnknownUnit: the spelling is on no list
    """
    try:
        return _OWNER[unit]
    except (KeyError, TypeError):
        raise UnknownUnit(
            f"{str(unit)[:40]} is not an accepted unit.", given=str(unit)[:40], accepted=sorted(_OWNER)
        ) from None
