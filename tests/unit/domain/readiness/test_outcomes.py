"""Outcomes of one code and subject are one: the weightiest, and nothing hides behind another."""

from __future__ import annotations

from itertools import permutations

import pytest

from service.domain.readiness.outcomes import Outcome, gathered

MET = Outcome("rod-slack", "hanger/A/assembly/1", "met", "met")
KNOWN = Outcome("rod-slack", "hanger/A/assembly/1", "known", "known")
UNKNOWN = Outcome("rod-slack", "hanger/A/assembly/1", "unknown", "unknown")
ELSEWHERE = Outcome("rod-slack", "hanger/A/assembly/2", "met", "elsewhere")


@pytest.mark.parametrize("order", list(permutations([MET, KNOWN, UNKNOWN])))
def test_what_is_known_to_be_wrong_outweighs_the_rest_in_any_order(order: tuple[Outcome, ...]) -> None:
    assert gathered([*order, ELSEWHERE]) == [KNOWN, ELSEWHERE]


@pytest.mark.parametrize("order", list(permutations([MET, UNKNOWN])))
def test_what_is_not_known_outweighs_what_is_met(order: tuple[Outcome, ...]) -> None:
    assert gathered(order) == [UNKNOWN]


def test_an_outcome_of_its_own_kind_may_refuse_what_its_code_allows() -> None:
    graver = Outcome("defect-open", "hanger/A/assembly/1", "known", "open", never="a reason")
    assert graver.refusal == "a reason"
    assert Outcome("defect-open", "hanger/A/assembly/1", "known", "open").refusal is None
