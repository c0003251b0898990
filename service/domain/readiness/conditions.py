"""Which condition is asked for which purpose: one table, and the walk through it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from service.domain.readiness import balance_conditions as balance
from service.domain.readiness import hanger_conditions as hanger
from service.domain.readiness import line_conditions as line
from service.domain.readiness import stop_conditions as stops
from service.domain.readiness.check_conditions import checks, sums
from service.domain.readiness.codes import PURPOSES
from service.domain.readiness.looks import AssemblyLook, HangerLook, LineLook
from service.domain.readiness.outcomes import Outcome, gathered

_ALL: Final = frozenset(PURPOSES)
_LOCKED: Final = frozenset({"pressure_test", "chemical_clean"})
_SHUT: Final = frozenset({"heat_up", "acceptance"})
_RELEASE: Final = frozenset({"release"})
_HEAT_UP: Final = frozenset({"heat_up"})
_ACCEPTANCE: Final = frozenset({"acceptance"})


@dataclass(frozen=True)
class OfLine:
    """A condition of the line and the purposes that ask for it."""

    run: Callable[[LineLook], Iterator[Outcome]]
    purposes: frozenset[str]


@dataclass(frozen=True)
class OfHanger:
    """A condition of a hanger and the purposes that ask for it."""

    run: Callable[[HangerLook], Iterator[Outcome]]
    purposes: frozenset[str]


@dataclass(frozen=True)
class OfAssembly:
    """A condition of an assembly and the purposes that ask for it."""

    run: Callable[[AssemblyLook], Iterator[Outcome]]
    purposes: frozenset[str]


LINE_CONDITIONS: tuple[OfLine, ...] = (
    OfLine(line.no_hangers, _ALL),
    OfLine(line.register, _ALL),
    OfLine(line.welds, _ALL),
    OfLine(line.rigid_supports, _ALL),
    OfLine(line.temporary_supports, _RELEASE | _SHUT),
    OfLine(line.insulation, _RELEASE | _SHUT),
    OfLine(line.jacketing, _RELEASE | _SHUT),
    OfLine(line.pressure_test, _RELEASE | _SHUT),
    OfLine(line.chemical_clean, _RELEASE | _SHUT),
    OfLine(line.contents, _RELEASE | _HEAT_UP),
    OfLine(line.temperature, _LOCKED | _RELEASE),
    OfLine(line.connected_lines, _RELEASE | _HEAT_UP),
    OfLine(balance.line_weighed, _LOCKED | _RELEASE | _HEAT_UP),
    OfLine(balance.load_path, _RELEASE),
)

HANGER_CONDITIONS: tuple[OfHanger, ...] = (
    OfHanger(hanger.on_hold, _ALL),
    OfHanger(hanger.locked, _LOCKED),
    OfHanger(hanger.released, _HEAT_UP),
    OfHanger(hanger.proved, _ACCEPTANCE),
    OfHanger(hanger.assemblies, _ALL),
    OfHanger(hanger.weight_basis, _RELEASE | _HEAT_UP),
    OfHanger(stops.off_the_record, _ALL),
)

ASSEMBLY_CONDITIONS: tuple[OfAssembly, ...] = (
    OfAssembly(hanger.in_place, _ALL),
    OfAssembly(hanger.rod_slack, _ALL),
    OfAssembly(hanger.defects, _ALL),
    OfAssembly(hanger.interference, _RELEASE | _SHUT),
    OfAssembly(hanger.nameplate_read, _RELEASE),
    OfAssembly(stops.counted_in, _LOCKED | _RELEASE),
    OfAssembly(stops.stops_in, _LOCKED | _RELEASE),
    OfAssembly(stops.undamaged, _LOCKED | _RELEASE),
    OfAssembly(stops.counted_out, _SHUT),
    OfAssembly(stops.stops_out, _SHUT),
    OfAssembly(stops.stowed, _SHUT),
    OfAssembly(hanger.retaining_hardware, _ALL),
    OfAssembly(hanger.adjuster_locked, _ALL),
    OfAssembly(hanger.cold_reading, _SHUT),
    OfAssembly(hanger.hot_reading, _ACCEPTANCE),
)


def outcomes_of(look: LineLook) -> tuple[list[Outcome], list[dict[str, Any]]]:
    """Every condition of the purpose, met or not, one for each code and subject; and the checks' cautions."""
    found: list[Outcome] = []
    for of_line in LINE_CONDITIONS:
        if look.purpose in of_line.purposes:
            found += of_line.run(look)
    from_sums, cautions = sums(look)
    found += from_sums
    for view in look.hangers:
        one = HangerLook(look, view)
        for of_hanger in HANGER_CONDITIONS:
            if look.purpose in of_hanger.purposes:
                found += of_hanger.run(one)
        for assembly in one.assemblies():
            for of_assembly in ASSEMBLY_CONDITIONS:
                if look.purpose in of_assembly.purposes:
                    found += of_assembly.run(assembly)
        from_checks, attention = checks(one)
        found += from_checks
        cautions += attention
    return gathered(found), cautions
