"""What the store tells a nut plan: only what still holds."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.facts import Fact
from service.domain.nut_plans.stored import known_of
from service.domain.views import HangerView, LineView


def fact(value: Any, sequence: int, minute: int) -> Fact:
    return Fact(value, sequence, sequence, f"2026-05-05T08:{minute:02}:00Z", "pr_a")


def stop(
    position: str, face: str | None = None, sequence: int | None = None, minute: int = 0
) -> dict[str, Any]:
    seen = None if sequence is None else f"2026-05-05T08:{minute:02}:00Z"
    return {
        "position": position,
        "bearing_face": face,
        "free_by_hand": None,
        "observed_sequence": sequence,
        "observed_at": seen,
        "stowed_at": None,
    }


def known(
    facts: dict[str, Fact], neighbour: dict[str, Fact] | None = None, line: dict[str, Fact] | None = None
) -> dict[str, Any]:
    record = {"mark": "A", "line": "L", "kind": "constant", "assemblies": [{"stops": 2}]}
    view = HangerView("A", "L", "constant", record, 1, 0, facts)
    other = HangerView("B", "L", "constant", {**record, "mark": "B"}, 1, 0, neighbour or {})
    return known_of(view, LineView("P", "L", None, 0, None, line or {}, (view, other), 99), 1)


BOTH_SEEN = {
    "assembly/1/stop/1": fact(stop("in", "upper", 10, 10), 10, 10),
    "assembly/1/stop/2": fact(stop("in", "upper", 11, 11), 11, 11),
}


def test_a_hanger_that_nobody_touched_has_empty_ledgers_and_nothing_else() -> None:
    assert known({}) == {"ledger": [], "load_adjuster_ledger": []}


def test_the_ledgers_carry_net_turns_with_their_sign() -> None:
    ledger = {"net_turns": -1.25, "load_adjuster_turns": 0.5}
    found = known({"assembly/1/ledger": fact(ledger, 5, 5)})
    assert (found["ledger"], found["load_adjuster_ledger"]) == ([-1.25], [0.5])


def test_a_face_seen_at_every_stop_since_the_last_disturbance_is_told() -> None:
    found = known({**BOTH_SEEN, "disturbance": fact({"latest_occurred_at": "2026-05-05T08:09:00Z"}, 9, 9)})
    assert found["bearing_face"] == "upper"
    assert found["stops_in"] is True


@pytest.mark.parametrize("where", ["own", "neighbour", "line"])
@pytest.mark.parametrize(("sequence", "minute"), [(12, 12), (12, 5), (5, 12)])
def test_a_disturbance_anywhere_later_in_the_log_or_on_site_makes_the_face_stale(
    where: str, sequence: int, minute: int
) -> None:
    since = {"disturbance": fact({"latest_occurred_at": f"2026-05-05T08:{minute:02}:00Z"}, sequence, minute)}
    found = known(
        {**BOTH_SEEN, **(since if where == "own" else {})},
        neighbour=since if where == "neighbour" else None,
        line=since if where == "line" else None,
    )
    assert "bearing_face" not in found


def test_faces_that_differ_between_stops_are_unknown() -> None:
    facts = {**BOTH_SEEN, "assembly/1/stop/2": fact(stop("in", "lower", 11, 11), 11, 11)}
    assert known(facts)["bearing_face"] == "unknown"


def test_a_stop_that_nobody_looked_at_leaves_the_face_untold() -> None:
    assert "bearing_face" not in known({**BOTH_SEEN, "assembly/1/stop/2": fact(stop("in"), 11, 11)})


@pytest.mark.parametrize(
    ("positions", "told"),
    [(("in", "in"), True), (("out", "stowed"), False), (("in", "out"), None), (("in",), None)],
)
def test_stops_are_in_or_out_only_when_all_that_are_drawn_are(
    positions: tuple[str, ...], told: bool | None
) -> None:
    facts = {
        f"assembly/1/stop/{number}": fact(stop(position), number, number)
        for number, position in enumerate(positions, start=1)
    }
    assert known(facts).get("stops_in") is told


def test_the_number_of_stops_has_to_be_drawn_before_they_count_as_in() -> None:
    record = {"mark": "A", "line": "L", "kind": "constant", "assemblies": [{}]}
    view = HangerView("A", "L", "constant", record, 1, 0, dict(BOTH_SEEN))
    assert "stops_in" not in known_of(view, LineView("P", "L", None, 0, None, {}, (view,), 99), 1)


def test_engagement_counts_only_while_no_turn_was_made_since() -> None:
    measured = {"measured": {"value": 61, "unit": "mm"}, "full": None, "net_turns": 0.5}
    facts = {"assembly/1/engagement/upper": fact(measured, 6, 6)}
    ledger = {"net_turns": 0.5, "load_adjuster_turns": 0.0}
    found = known({**facts, "assembly/1/ledger": fact(ledger, 5, 5)})
    assert found["engagement"] == [{"end": "upper", "measured": {"value": 61, "unit": "mm"}}]
    turned = known({**facts, "assembly/1/ledger": fact({**ledger, "net_turns": 0.75}, 7, 7)})
    assert "engagement" not in turned


@pytest.mark.parametrize(("sequence", "minute", "told"), [(8, 8, True), (4, 8, False), (8, 4, False)])
def test_a_cold_reading_counts_only_when_later_than_the_last_turn(
    sequence: int, minute: int, told: bool
) -> None:
    reading = {"position": {"value": 80, "unit": "mm"}}
    ledger = {"net_turns": 0.5, "load_adjuster_turns": 0.0}
    facts = {
        "assembly/1/reading/cold": fact(reading, sequence, minute),
        "assembly/1/ledger": fact(ledger, 5, 5),
    }
    assert ("reading" in known(facts)) is told


def test_a_reading_without_a_turn_is_told_and_one_without_a_position_is_not() -> None:
    assert known({"assembly/1/reading/cold": fact({"position": {"value": 1, "unit": "mm"}}, 1, 1)})["reading"]
    assert "reading" not in known({"assembly/1/reading/cold": fact({"position": None}, 1, 1)})


@pytest.mark.parametrize("slack", [True, False])
def test_a_rod_seen_slack_or_tight_is_told_until_the_next_disturbance(slack: bool) -> None:
    facts = {"assembly/1/rod_slack": fact(slack, 6, 6)}
    assert known(facts)["rod_slack"] is slack
    later = {"disturbance": fact({"latest_occurred_at": "2026-05-05T08:07:00Z"}, 7, 7)}
    assert "rod_slack" not in known({**facts, **later})
