"""The worked example, from the posted document to the answer, beside the three-moment equation."""

from __future__ import annotations

import math
from typing import Any

import jsonschema
import pytest

from service.domain.balance.analysis import Analysis
from service.domain.balance.answer import balance
from service.domain.line_models.builder import build_line
from tests.unit.domain.balance.worked_example import REQUEST
from tests.unit.domain.nut_plan_samples import DOCUMENTS, REGISTRY

# --- by hand: built-in beam of two spans L with a prop in the middle --------------------------------------
OUTSIDE, BORE, SPAN, YOUNG = 0.3238, 0.3238 - 2 * 0.01748, 9.0, 203e9
AREA = math.pi / 4 * (OUTSIDE**2 - BORE**2)
SECOND_MOMENT = math.pi / 64 * (OUTSIDE**4 - BORE**4)
WEIGHT_N_PER_M = 7850 * AREA * 9.80665
# Three-moment equation with both ends built in and equal spans: every support moment is w L^2 / 12, so that
# the middle carries half of each span.
LEVEL_N = WEIGHT_N_PER_M * SPAN
# Shear factor of a hollow circle (G. R. Cowper, J. Appl. Mech. 33 (1966), from memory).
_M2 = (1 + (BORE / OUTSIDE) ** 2) ** 2
SHEAR_FACTOR = 6 * 1.3 * _M2 / ((7 + 6 * 0.3) * _M2 + (20 + 12 * 0.3) * (BORE / OUTSIDE) ** 2)
BENDING_N_PER_M = 24 * YOUNG * SECOND_MOMENT / SPAN**3
SHEAR_N_PER_M = 2 * YOUNG / 2.6 * SHEAR_FACTOR * AREA / SPAN
STIFFNESS_N_PER_M = 1 / (1 / BENDING_N_PER_M + 1 / SHEAR_N_PER_M)
RATE_N_PER_M, LOCKED_N, LEAD_M = 60e3, 12250.0, 0.006
RISE_M = (LOCKED_N - LEVEL_N) / (RATE_N_PER_M + STIFFNESS_N_PER_M)


@pytest.fixture(scope="module")
def answer() -> dict[str, Any]:
    asked = DOCUMENTS["balance-request.schema.json"]
    jsonschema.Draft202012Validator(asked, registry=REGISTRY).validate(REQUEST)
    assert REQUEST in asked["examples"]
    records = {record["mark"]: record for record in REQUEST["hangers"]}
    found = balance(Analysis(build_line(REQUEST["model"], records)), REQUEST)
    jsonschema.Draft202012Validator(DOCUMENTS["balance.schema.json"], registry=REGISTRY).validate(found)
    return found


def test_the_hand_figures_are_those_of_the_documentation() -> None:
    assert pytest.approx(1294.96, abs=0.01) == WEIGHT_N_PER_M
    assert pytest.approx(11654.6, abs=0.1) == LEVEL_N
    assert pytest.approx(1322.9e3, rel=1e-4) == BENDING_N_PER_M
    # Shear deformation takes less than one per cent.
    assert 0.985 < STIFFNESS_N_PER_M / BENDING_N_PER_M < 0.995


def test_weights_and_locked_load_agree(answer: dict[str, Any]) -> None:
    (hanger,) = answer["hangers"]
    assert answer["weights"]["total"]["now"]["value"] == pytest.approx(2 * LEVEL_N / 1e3, rel=1e-9)
    assert hanger["loads"]["now"]["value"]["value"] == pytest.approx(LEVEL_N / 1e3, rel=1e-9)
    assert hanger["out_of_balance"]["value"]["value"] == pytest.approx((LEVEL_N - LOCKED_N) / 1e3, rel=1e-7)
    # A millimetre of height is worth more than that: which face bears is not certain.
    assert hanger["out_of_balance"]["direction"] == "either"


def test_stiffness_and_one_turn_agree(answer: dict[str, Any]) -> None:
    (hanger,) = answer["hangers"]
    assert hanger["stiffness"]["pipe"]["value"] == pytest.approx(STIFFNESS_N_PER_M / 1e3, rel=1e-4)
    assert hanger["stiffness"]["pipe"]["value"] == pytest.approx(BENDING_N_PER_M / 1e3, rel=1e-2)
    assert hanger["stiffness"]["load_per_turn"]["value"] == pytest.approx(
        STIFFNESS_N_PER_M * LEAD_M / 1e3, rel=1e-4
    )


def test_the_interval_of_a_millimetre_agrees(answer: dict[str, Any]) -> None:
    load = answer["hangers"][0]["loads"]["now"]
    assert load["high"]["value"] - load["value"]["value"] == pytest.approx(STIFFNESS_N_PER_M * 1e-6, rel=1e-4)
    assert load["standard_deviation"]["value"] == pytest.approx(
        STIFFNESS_N_PER_M * 1e-6 / math.sqrt(3.0), rel=1e-4
    )


def test_where_it_stands_when_released_agrees(answer: dict[str, Any]) -> None:
    (hanger,) = answer["hangers"]
    cold = hanger["standing"]["released_cold"]
    assert cold["verdict"] == "will_not"
    assert cold["position"]["value"] == pytest.approx(RISE_M * 1e3, rel=1e-4)
    assert cold["reading"]["value"] == pytest.approx(60.0 + RISE_M * 1e3, rel=1e-5)
    assert hanger["expected_released_cold"]["off_cold_mark"]["value"] == pytest.approx(RISE_M * 1e3, rel=1e-4)
    # What the pipe rises by, the spring loses by its rate.
    assert hanger["loads"]["released_cold"]["value"]["value"] == pytest.approx(
        (LOCKED_N - RATE_N_PER_M * RISE_M) / 1e3, rel=1e-7
    )


def test_the_sum_of_operating_loads_beside_the_hot_line_agrees(answer: dict[str, Any]) -> None:
    assert answer["design_sum"]["hot_line"]["value"] == pytest.approx(LEVEL_N / 1e3, rel=1e-9)
    assert answer["design_sum"]["difference"]["value"] == pytest.approx((11650.0 - LEVEL_N) / 1e3, rel=1e-4)
