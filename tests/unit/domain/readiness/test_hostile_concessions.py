"""Weight that is put on after release: what the balance has to know before that is conceded."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from service.domain.balance.weighing import HangerWeighing
from service.errors import NotConcedable
from tests.unit.domain.readiness.support import answer, locked_line, released_line
from tests.unit.domain.readiness.test_balance import BARE, LIGHT, LINE, MAY, NARROW, UNSAID, good, grant, off
from tests.unit.domain.weighings import INSIDE, Weighing


def test_weight_is_not_conceded_while_nothing_states_what_other_parts_carry() -> None:
    weighed = good(**LIGHT, present_not_stated=("/segments/0/insulation", "/segments/1/insulation"))
    with pytest.raises(NotConcedable, match="nothing states what is now at /segments/0/insulation"):
        grant(BARE, weighed)
    grant(BARE, good(**LIGHT))


@pytest.mark.parametrize("complete", [MAY, UNSAID, NARROW], ids=["may", "unsaid", "short-reserve"])
def test_weight_is_not_conceded_that_takes_a_spring_to_an_end_when_it_is_on(complete: Any) -> None:
    with pytest.raises(NotConcedable, match="does not show it of V-1"):
        grant(BARE, off(complete=complete, line=LIGHT))
    grant(BARE, off(complete=INSIDE, line=LIGHT))


def test_a_load_path_is_not_said_to_be_there_where_no_state_was_found() -> None:
    weighed = good(unsaid={"cold": "These records do not tell enough: V-1."})
    hangers: dict[str, HangerWeighing] = {
        mark: replace(one, cold=UNSAID) for mark, one in weighed.hangers.items()
    }
    unsaid: Weighing = replace(weighed, hangers=hangers)
    found = answer(locked_line(), "release", weighing=unsaid, explain=True)
    (blocker,) = [each for each in found["blockers"] if each["code"] == "no-load-path"]
    assert (blocker["kind"], blocker["subject"], blocker["concedable"]) == ("unknown", LINE, False)
    assert "no-load-path" not in {each["code"] for each in found["satisfied"]}


@pytest.mark.parametrize("purpose", ["release", "heat_up"])
def test_a_rod_that_release_overloads_is_a_capacity_exceeded(purpose: str) -> None:
    line = locked_line() if purpose == "release" else released_line()
    found = answer(line, purpose, weighing=off("R-3", released_load_n=(200_000.0, 200_000.0)))
    assert [(each["code"], each["subject"], each["concedable"]) for each in found["blockers"]] == [
        ("capacity-exceeded", "hanger/R-3/assembly/1/check/rod-load-released-balance", False)
    ]
