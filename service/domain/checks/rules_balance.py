"""The table of rules, third part: what the line's balance says. Run only where the line has a model."""

from __future__ import annotations

from typing import Final

from service.domain.checks import balance
from service.domain.checks.table import (
    DRAWING,
    EVERY_KIND,
    LOCKED,
    LOCKED_AND_RELEASE,
    RELEASE,
    RESERVE,
    Basis,
    Purpose,
    Rule,
)

_RELEASE_AND_HEAT_UP: tuple[Purpose, ...] = ("release", "heat_up")
_TEST_LOAD = Basis("ASME B31.9 (2016)", "920.2.2", "standard")

BALANCE: Final[tuple[Rule, ...]] = (
    Rule(
        "locked-load-balance",
        "balance",
        "Load of the locked assembly, by the balance",
        balance.locked_load,
        per_assembly=True,
        vertical=True,
        basis=DRAWING,
        purposes=LOCKED_AND_RELEASE,
    ),
    Rule(
        "locked-load-test-balance",
        "balance",
        "Load of the locked assembly under test, by the balance",
        balance.locked_load_test,
        per_assembly=True,
        vertical=True,
        basis=_TEST_LOAD,
        purposes=LOCKED,
    ),
    Rule(
        "rod-load-balance",
        "balance",
        "Rod load with the stops in, by the balance",
        balance.rod_load,
        EVERY_KIND,
        per_assembly=True,
        vertical=True,
        rod=True,
        limits=("rod_allowable_stress", "unknown_steel_allowable_stress", "thread_reduction"),
        purposes=LOCKED_AND_RELEASE,
    ),
    Rule(
        "rod-load-test-balance",
        "balance",
        "Rod load under test, by the balance",
        balance.rod_load_test,
        EVERY_KIND,
        per_assembly=True,
        vertical=True,
        rod=True,
        limits=("unknown_steel_test_stress", "test_yield_share"),
        purposes=LOCKED,
    ),
    Rule(
        "stop-force-up-balance",
        "balance",
        "Upward force on the stops now, by the balance",
        balance.stop_force_up,
        per_assembly=True,
        vertical=True,
        basis=DRAWING,
        purposes=LOCKED_AND_RELEASE,
    ),
    Rule(
        "stop-force-down-balance",
        "balance",
        "Downward force on the stops now, by the balance",
        balance.stop_force_down,
        per_assembly=True,
        vertical=True,
        basis=DRAWING,
        purposes=LOCKED_AND_RELEASE,
    ),
    Rule(
        "stop-force-test-balance",
        "balance",
        "Downward force on the stops under test, by the balance",
        balance.stop_force_test,
        per_assembly=True,
        vertical=True,
        basis=DRAWING,
        purposes=LOCKED,
    ),
    Rule(
        "end-of-travel-cold",
        "balance",
        "End of travel when released now, by the balance",
        balance.end_of_travel_cold,
        vertical=True,
        limits=RESERVE,
        purposes=RELEASE,
    ),
    Rule(
        "end-of-travel-hot",
        "balance",
        "End of travel hot, by the balance",
        balance.end_of_travel_hot,
        vertical=True,
        limits=RESERVE,
        purposes=_RELEASE_AND_HEAT_UP,
    ),
    Rule(
        "movement-balance",
        "balance",
        "Thermal movement by the balance beside the drawing's",
        balance.movement,
        vertical=True,
        limits=("position_share", "position_least"),
        purposes=RELEASE,
    ),
    Rule(
        "expected-reading-balance",
        "balance",
        "Released-cold reading of the record beside the balance's",
        balance.expected_reading,
        vertical=True,
        limits=("position_share", "position_least"),
        purposes=_RELEASE_AND_HEAT_UP,
    ),
)

DESIGN_SUM: Final = Rule(
    "design-sum",
    "balance",
    "Sum of the springs' operating loads against the hot line",
    balance.design_sum,
    limits=("load_sum_accept", "load_sum_limit"),
    purposes=RELEASE,
)
