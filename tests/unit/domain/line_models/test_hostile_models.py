"""What is in and on a line, where the model and the inspections leave room for a guess."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.line_models.builder import build_line
from service.domain.line_models.known import known_line
from tests.lines.models import five_hanger_model, five_hanger_records, q
from tests.unit.domain.release.support import Site, spring

BORE_M2 = 3.141592653589793 / 4.0 * (0.3238 - 2.0 * 0.01748) ** 2


def contents_now_n(density: float) -> float:
    """Weight of what is in the first span while the line has water in it, tested with this density."""
    model = five_hanger_model(
        contents=[{"id": "medium", "density": q(density, "kg/m3")}],
        line_contents={"hot": "empty", "test": "medium"},
    )
    built = build_line(model, five_hanger_records(), present={"contents": "water"})
    (item,) = [each for each in built.items if each.owner == "S1" and each.part == "contents"]
    return item.weight_n["present"] * item.share_present


@pytest.mark.parametrize("gas", [1.2, 10.0, 120.0])
def test_water_weighs_as_water_in_a_line_that_is_tested_with_a_gas(gas: float) -> None:
    # 998.2 kg/m3 at 20 degC.
    assert contents_now_n(gas) == pytest.approx(998.2 * BORE_M2 * 9.0 * 9.80665, rel=1e-3)


def test_water_weighs_as_the_water_of_the_test_says() -> None:
    assert contents_now_n(1005.0) == pytest.approx(1005.0 * BORE_M2 * 9.0 * 9.80665, rel=1e-9)


def not_stated(**seen: Any) -> tuple[str, ...]:
    site = Site(A=spring())
    site.inspect_line(contents="empty", **seen)
    model = five_hanger_model()
    present = known_line(site.line(), model).present
    return build_line(model, five_hanger_records(), present=present).present_not_stated


def test_jacketing_called_incomplete_is_not_taken_from_the_insulation_in_silence() -> None:
    stated = [{"segment": "S3", "jacketing": 0}]
    assert not_stated(insulation="complete", jacketing="incomplete", segments_present=stated) == tuple(
        f"/segments/{place}/jacketing" for place in (0, 1, 3, 4, 5)
    )
    assert not_stated(insulation="complete", jacketing="complete") == ()
    assert not_stated(insulation="complete") == ()
