"""The thread tables, verified against the formulas of their standards when they are loaded."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from service.engineering.tables.loader import Table, TableError, load_table
from service.engineering.thread_forms import (
    metric_root_area_m2,
    metric_stress_area_m2,
    unified_root_area_m2,
    unified_stress_area_m2,
)


def _compare(table: Table, name: str, cells: Mapping[str, str], column: str, computed: float) -> None:
    """Refuses a row whose published area is not the one that the formula gives, within rounding.

    The head's `tolerance` is in units of the last place of the published figure: 0.5 is plain rounding.
    """
    cell = cells[column]
    if not cell:
        return
    unit = 10.0 ** -len(cell.partition(".")[2])
    # The small slack lets a figure pass that stood just at a half before it was rounded.
    if abs(float(cell) - computed) > (float(table.head["tolerance"]) + 1e-3) * unit:
        raise TableError(f"{name}: {column} {cell} differs from {computed:.6g} by formula")


def check_unified(table: Table, name: str) -> None:
    """Compares each published area of a Unified table with the formula of ASME B1.1.

    The formula is homogeneous, so it is used in inches here: areas in square inches.
    """
    for cells in table.rows:
        row = table.numbers(cells)
        diameter, pitch = row["diameter_in"], 1.0 / row["threads_per_inch"]
        _compare(table, name, cells, "root_area_in2", unified_root_area_m2(diameter, pitch))
        _compare(table, name, cells, "stress_area_in2", unified_stress_area_m2(diameter, pitch))


def check_metric(table: Table, name: str) -> None:
    """Compares each published area of a metric table with ISO 724 and ISO 898-1, in millimetres."""
    for cells in table.rows:
        row = table.numbers(cells)
        diameter, pitch = row["diameter_mm"], row["pitch_mm"]
        _compare(table, name, cells, "root_area_mm2", metric_root_area_m2(diameter, pitch))
        _compare(table, name, cells, "stress_area_mm2", metric_stress_area_m2(diameter, pitch))


@cache
def unified_coarse() -> Table:
    """UNC threads of hanger rods, with published areas and safe loads."""
    table = load_table("unified_coarse.csv")
    check_unified(table, "unified_coarse.csv")
    return table


@cache
def unified_eight() -> Table:
    """8-UN threads, with published areas."""
    table = load_table("unified_eight.csv")
    check_unified(table, "unified_eight.csv")
    return table


@cache
def metric_coarse() -> Table:
    """ISO metric coarse threads, with published areas."""
    table = load_table("metric_coarse.csv")
    check_metric(table, "metric_coarse.csv")
    return table


@cache
def unified_sizes(series: str) -> Mapping[float, float]:
    """Threads per inch by diameter in inches, of the series `UNC` or `UN`."""
    table = unified_coarse() if series == "UNC" else unified_eight()
    return MappingProxyType({float(row["diameter_in"]): float(row["threads_per_inch"]) for row in table.rows})


@cache
def _metric_pitches() -> Mapping[float, float]:
    return MappingProxyType(
        {float(row["diameter_mm"]): float(row["pitch_mm"]) for row in metric_coarse().rows}
    )


def coarse_pitch_mm(diameter_mm: float) -> float | None:
    """Coarse pitch of a metric thread in millimetres; None where the table has no such diameter.

    Above M68 ISO 261 has no coarse pitch; the table lists 6 mm there, as the trade does.
    """
    return _metric_pitches().get(diameter_mm)
