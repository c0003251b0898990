"""Stiffness that a turn of the adjuster works against: rod, steelwork, assembly and line in series."""

from __future__ import annotations

from service.engineering.nut_plans.intervals import Interval, hull_over_corners, require_positive

STEEL_MODULUS_PA = 203.0e9
"""Modulus of elasticity of carbon steel rods at ambient temperature [Pa].

Source: ASME II-D Table TM-1 gives 202 to 203 GPa at 25 C (from memory)."""


def rod_stiffness_n_per_m(
    area_m2: float, length_m: float, number: int = 1, modulus_pa: float = STEEL_MODULUS_PA
) -> float:
    """Axial stiffness of the rods of one assembly: number E A / L.

    The thread's area taken over the whole length understates the stiffness of a rod that is threaded at
    its ends only; the turns needed are then overstated, never the load per turn understated for a rod
    that is threaded all along.

    Args:
        area_m2: area that carries the load, of one rod, > 0 [m2]
        length_m: length between the pivots, > 0 [m]
        number: rods side by side, at least 1
        modulus_pa: modulus of elasticity, > 0 [Pa]

    Returns:
        stiffness [N/m]

    Source: mechanics (Hooke).
    """
    require_positive(area_m2=area_m2, length_m=length_m, number=float(number), modulus_pa=modulus_pa)
    return number * modulus_pa * area_m2 / length_m


def series_stiffness_n_per_m(
    line_compliance_m_per_n: float,
    rod_n_per_m: float | None = None,
    steel_n_per_m: float | None = None,
    assembly_n_per_m: float | None = None,
) -> float:
    """Stiffness k seen by the adjuster: 1/k = 1/k_rod + 1/k_steel + 1/k_assembly + c_pipe.

    The line's part belongs to its present state: k fell 16-fold in one small line as neighbours were
    released, so it is worked out again after each release.

    Args:
        line_compliance_m_per_n: vertical compliance of the rest of the line at the support, in its
            present state, > 0 [m/N]
        rod_n_per_m: rods of the assembly; None when they count as rigid [N/m]
        steel_n_per_m: supporting steelwork; None when it counts as rigid [N/m]
        assembly_n_per_m: locked assembly, casing and attachments; None when rigid [N/m]

    Returns:
        stiffness k [N/m]

    Source: mechanics (springs in series).
    """
    require_positive(line_compliance_m_per_n=line_compliance_m_per_n)
    compliance = line_compliance_m_per_n
    for name, part in (("rod", rod_n_per_m), ("steel", steel_n_per_m), ("assembly", assembly_n_per_m)):
        if part is not None:
            require_positive(**{f"{name}_n_per_m": part})
            compliance += 1.0 / part
    return 1.0 / compliance


def series_stiffness_interval(line_n_per_m: Interval, *others: Interval | None) -> Interval:
    """`series_stiffness_n_per_m` over intervals of the parts; it rises with every part.

    Args:
        line_n_per_m: stiffness of the line at the support, > 0 [N/m]
        others: stiffness of rod, steel and assembly; None for a part that counts as rigid [N/m]

    Returns:
        hull of k [N/m]
    """
    known = [part for part in others if part is not None]
    for part in (line_n_per_m, *known):
        require_positive(stiffness_n_per_m=part.low)
    return hull_over_corners(lambda *parts: 1.0 / sum(1.0 / part for part in parts), line_n_per_m, *known)
