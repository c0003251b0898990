"""A model whose cold line is not the one that the springs were set for gives no reading to aim at."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.balance.analysis import Analysis
from service.domain.balance.weigh import weigh, without_expected
from service.domain.line_models.basis import basis_differs
from service.domain.line_models.builder import build_line
from tests.lines.models import five_hanger_model, five_hanger_records, q

CONTENTS = [{"id": "hot", "density": q(740, "kg/m3")}, {"id": "water", "density": q(998, "kg/m3")}]


def differs(basis: dict[str, str] | None, **contents: str) -> str | None:
    model = five_hanger_model(contents=CONTENTS, line_contents={"hot": "hot", "test": "water", **contents})
    record: dict[str, Any] | None = None if basis is None else {"weight_basis": basis}
    return basis_differs(record, build_line(model, five_hanger_records()))


@pytest.mark.parametrize(
    ("basis", "cold", "agrees"),
    [
        ("empty", "empty", True),
        ("empty", "hot", False),
        ("empty", "water", False),
        ("operating", "empty", False),
        ("operating", "hot", True),
        ("operating", "water", False),
        ("water", "empty", False),
        ("water", "hot", False),
        ("water", "water", True),
    ],
)
def test_the_cold_contents_are_those_that_the_springs_were_set_for(
    basis: str, cold: str, agrees: bool
) -> None:
    assert (differs({"contents": basis}, cold=cold) is None) is agrees


def test_contents_that_the_model_leaves_out_are_none() -> None:
    assert differs({"contents": "empty"}) is None
    assert differs({"contents": "operating"}) is not None


def test_springs_that_were_set_for_a_bare_line_are_not_read_by_an_insulated_one() -> None:
    assert differs({"insulation": "complete"}) is None
    assert "without insulation" in str(differs({"insulation": "none"}))


def test_a_record_that_states_no_basis_says_nothing() -> None:
    assert differs(None) is None
    assert differs({}) is None


def test_nothing_is_expected_then_and_the_reason_is_told() -> None:
    weighed = weigh(Analysis(build_line(five_hanger_model(), five_hanger_records())))
    assert {hanger.expected_released_cold_m is None for hanger in weighed.hangers.values()} == {False}
    found = without_expected(weighed, "Set for others.")
    assert {hanger.expected_released_cold_m for hanger in found.hangers.values()} == {None}
    assert {hanger.expected_band_m for hanger in found.hangers.values()} == {None}
    assert found.unsaid["expected_cold"] == "Set for others."
    assert [hanger.cold for hanger in found.hangers.values()] == [
        hanger.cold for hanger in weighed.hangers.values()
    ]
