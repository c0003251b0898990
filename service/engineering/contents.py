"""Contents of pipes: the density of water and steam."""

from __future__ import annotations

import math
from typing import Any, Final, Literal

from service.errors import OutOfRange

SATURATION_BAND: Final = 5e-3
"""Within this share of the saturation pressure, temperature and pressure do not tell water from steam."""

_CELSIUS_ZERO_K: Final = 273.15
_RANGE: Final = "0 to 800 degC up to 100 MPa, 800 to 2000 degC up to 50 MPa; saturated from 0 to 373.9 degC"


def water_density_kg_per_m3(temperature_k: float, pressure_pa: float) -> float:
    """Density of water or steam at a temperature and pressure.

    Args:
        temperature_k: temperature [K]
        pressure_pa: absolute pressure [Pa]

    Returns:
        density [kg/m^3]

    Raises:
        OutOfRange: outside the range of the formulation, or so near saturation that the two do not tell
            whether it is water or steam

    Source: IAPWS Industrial Formulation 1997, by the package iapws.
    """
    # A state just at saturation has two densities, a thousand times apart at 100 degC.
    try:
        saturation_pa = _state(temperature_k, quality=0.0).P * 1e6
    except OutOfRange:
        saturation_pa = math.inf
    if abs(pressure_pa - saturation_pa) <= SATURATION_BAND * saturation_pa < math.inf:
        raise OutOfRange(
            "At this temperature and pressure water boils: state whether it is saturated liquid or vapour.",
            temperature_k=temperature_k,
            pressure_pa=pressure_pa,
            saturation_pa=saturation_pa,
        )
    return float(_state(temperature_k, pressure_pa=pressure_pa).rho)


def saturated_density_kg_per_m3(temperature_k: float, phase: Literal["liquid", "vapour"]) -> float:
    """Density of saturated water or steam at a temperature.

    Args:
        temperature_k: temperature, 0 to 373.9 degC [K]
        phase: liquid or vapour

    Returns:
        density [kg/m^3]

    Raises:
        OutOfRange: there is no saturated water at this temperature

    Source: IAPWS Industrial Formulation 1997, by the package iapws.
    """
    return float(_state(temperature_k, quality=0.0 if phase == "liquid" else 1.0).rho)


def _state(temperature_k: float, *, pressure_pa: float | None = None, quality: float | None = None) -> Any:
    """A state of the formulation. Errors: OutOfRange where it does not reach."""
    # Importing the formulation takes most of a second; only lines with water or steam need it.
    from iapws import IAPWS97

    given = {"x": quality} if pressure_pa is None else {"P": pressure_pa / 1e6}
    try:
        state = IAPWS97(T=temperature_k, **given)
        found = getattr(state, "rho", None)
    except (NotImplementedError, ValueError, ArithmeticError):
        found = None
    if found is None or not math.isfinite(found) or not found > 0.0:
        raise OutOfRange(
            f"The formulation of water and steam reaches {_RANGE}.",
            temperature_c=temperature_k - _CELSIUS_ZERO_K,
            pressure_pa=pressure_pa,
        )
    return state
