"""Weighings written by hand, as if a line had been balanced: everything good, and ways to spoil one thing.

Loads are at the pipe in N, upward positive; lengths in m.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from service.domain.balance.weighing import HangerWeighing, MissingWeight, Standing, Weighing

INSIDE = Standing("will_not", None, 0.020, 0.010, 0.030, 0.050)
WILL = Standing("will", "upper", 0.120, 0.118, 0.120, -0.004)
# Without friction it stands on its upper end; its friction may stop it 27 mm short.
MAY = Standing("may", "upper", 0.120, 0.093, 0.120, 0.0)
UNSAID = Standing("cannot_say")

INSULATION = MissingWeight("S3", "insulation", 3100.0)
JACKETING = MissingWeight("S3", "jacketing", 400.0)


def hanger(mark: str, **changes: Any) -> HangerWeighing:
    """A spring that carries 10 to 12 kN locked, up to 19 kN under test, and stands well inside its travel."""
    good = HangerWeighing(
        mark=mark,
        locked_load_n=(10_000.0, 12_000.0),
        locked_test_load_n=(15_000.0, 19_000.0),
        out_of_balance_n=(-1_800.0, 200.0),
        expected_released_cold_m=0.100,
        expected_band_m=0.004,
        cold=INSIDE,
        hot=INSIDE,
        released_load_n=(9_000.0, 14_000.0),
    )
    return replace(good, **changes)


def rigid(mark: str, **changes: Any) -> HangerWeighing:
    """A rigid hanger: it has no spring that could be out of balance, or stand anywhere."""
    nothing: dict[str, Any] = {"out_of_balance_n": None, "expected_released_cold_m": None}
    return hanger(mark, **{**nothing, "expected_band_m": None, "cold": UNSAID, "hot": UNSAID, **changes})


def weighing(*hangers: HangerWeighing, **changes: Any) -> Weighing:
    """A weighing by revision 3 of the model, which event 17 brought; of its hangers alone."""
    good = Weighing(
        model_revision=3,
        model_sequence=17,
        hangers={one.mark: one for one in hangers},
        design_sum_n=(100_000.0, 102_000.0),
        drifting=(),
        unheld=None,
        missing_weights=(),
        indicative=False,
        limits=(),
    )
    return replace(good, **changes)
