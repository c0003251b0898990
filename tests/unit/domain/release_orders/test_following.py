"""The plan is followed: what comes next, and every deviation that holds the work."""

from __future__ import annotations

from typing import Any

import pytest

from tests.unit.domain.release_orders.samples import (
    Document,
    codes,
    done,
    following,
    heavy,
    nothing_done,
    ordered,
    out,
    q,
)

# The worked case: H2 -0.122, H1 -0.353, H4 -0.031, H5 -0.298, H3 -6.036 turns, each nut returned.
H2_OUT = {"H2": out(0.122)}
TWO_OUT = {**H2_OUT, "H1": out(0.353, 30)}
ALL_OUT = {**TWO_OUT, "H4": out(0.031, 40), "H5": out(0.298, 50), "H3": out(6.036, 60)}


@pytest.fixture(scope="module")
def document() -> Document:
    return heavy(progress=nothing_done())


def held(document: Document, changes: dict[str, Document]) -> list[tuple[str, str | None]]:
    answer = following(document, done(changes))
    assert answer["status"] == "hold"
    assert answer["step"] is None
    return [(each["code"], each["mark"]) for each in answer["holds"]]


# --- as it should go -----------------------------------------------------------------------------------
def test_the_first_step_comes_first(document: Document) -> None:
    answer = following(document, nothing_done())
    assert (answer["status"], answer["number"], answer["holds"]) == ("step", 1, [])
    assert answer["step"]["marks"] == ["H2"]
    assert answer["left"] == ["H2", "H1", "H4", "H5", "H3"]


@pytest.mark.parametrize(("changes", "number", "mark"), [(H2_OUT, 2, "H1"), (TWO_OUT, 3, "H4")])
def test_the_step_after_what_is_done_comes_next(
    document: Document, changes: dict[str, Document], number: int, mark: str
) -> None:
    answer = following(document, done(changes))
    assert (answer["status"], answer["number"]) == ("step", number)
    assert answer["step"]["marks"] == [mark]
    assert set(answer["released"]) == set(changes)


def test_a_step_that_is_begun_goes_on_and_tells_the_turns_made(document: Document) -> None:
    easing = {"H1": {"state": "easing", "turned_down": 0.25, "net_turns": -0.25}}
    answer = following(document, done({**H2_OUT, **easing}))
    assert (answer["status"], answer["number"]) == ("under_way", 2)
    assert answer["turned"] == [{"mark": "H1", "turns": -0.25}]


def test_the_nut_of_the_last_step_goes_back_before_the_next_begins(document: Document) -> None:
    left = {"H2": out(0.122), "H1": {**out(0.353), "turned_up": 0.0, "net_turns": -0.353}}
    answer = following(document, done(left))
    assert (answer["status"], answer["step"]) == ("return_the_nut", None)
    assert answer["turn_back"] == [{"mark": "H1", "turns": 0.353}]


def test_after_the_last_step_the_order_is_finished(document: Document) -> None:
    answer = following(document, done(ALL_OUT))
    assert (answer["status"], answer["left"], answer["holds"]) == ("finished", [], [])


def test_turns_count_from_when_the_order_was_made() -> None:
    before = done({"H2": {"turned_down": 3.0, "turned_up": 3.0}})
    document = heavy(progress=before)
    assert following(document, before)["status"] == "step"
    after = done({"H2": {**out(3.122), "turned_up": 3.122}})
    assert following(document, after)["number"] == 2
    assert following(heavy(progress=nothing_done()), after)["status"] == "hold"


# --- deviations ---------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"H3": out(6.036)}, ("out-of-order", "H3")),
        ({"H2": {"state": "on_hold"}}, ("hanger-on-hold", "H2")),
        ({"H2": {"stops": "mixed"}}, ("stops-not-known", "H2")),
        ({"H2": {"stops": "unknown"}}, ("stops-not-known", "H2")),
        ({"H4": {"state": "easing"}}, ("wrong-hanger-under-way", "H4")),
        ({"H4": {"turned_up": 0.5, "net_turns": 0.5}}, ("wrong-hanger-under-way", "H4")),
        # Lowering to -0.122 is expected, the engineer called at 0.122 + 2 mm / 6 mm = 0.455.
        ({"H2": {"turned_down": 0.6, "net_turns": -0.6}}, ("more-turns-than-explained", "H2")),
        ({"H2": {"turned_up": 0.2, "net_turns": 0.2}}, ("turned-the-wrong-way", "H2")),
        ({"H2": out(0.6)}, ("more-turns-than-explained", "H2")),
        ({"H2": out(0.02)}, None),
        # 6.036 turns are expected of H3 as the last; 2 mm and half a flat are 0.417 turns.
        ({**ALL_OUT, "H3": out(5.5)}, ("fewer-turns-than-expected", "H3")),
        ({**ALL_OUT, "H3": out(5.7)}, None),
        ({"H2": {"face": "upper"}}, ("bearing-not-as-expected", "H2")),
        ({"H2": {"face": "none"}}, ("bearing-not-as-expected", "H2")),
        ({"H2": {"face": "lower"}}, None),
        ({"H2": {"face": "unknown"}}, None),
        ({"H3": {"reading": q(4.0, "mm")}}, ("reading-not-as-expected", "H3")),
        ({"H3": {"reading": q(1.5, "mm")}}, None),
        # After H2 its indicator stands at -0.7 mm, within 2 mm.
        ({"H2": {**out(0.122), "reading": q(-2.6, "mm")}}, None),
        ({"H2": {**out(0.122), "reading": q(-2.8, "mm")}}, ("reading-not-as-expected", "H2")),
        ({"H2": {**out(0.122), "reading": q(1.5, "mm")}}, ("reading-not-as-expected", "H2")),
    ],
)
def test_what_is_other_than_expected_holds_the_work(
    document: Document, changes: dict[str, Document], expected: tuple[str, str] | None
) -> None:
    if expected is None:
        assert following(document, done(changes))["status"] != "hold"
    else:
        assert held(document, changes) == [expected]


def test_an_earlier_nut_that_was_not_returned_holds_the_work(document: Document) -> None:
    left = {"H2": {**out(0.122), "turned_up": 0.0, "net_turns": -0.122}, "H1": out(0.353)}
    assert held(document, left) == [("nut-not-returned", "H2")]


def test_easing_on_while_a_nut_is_still_to_go_back_holds_the_work(document: Document) -> None:
    left = {
        "H2": {**out(0.122), "turned_up": 0.0, "net_turns": -0.122},
        "H1": {"state": "easing", "turned_down": 0.2, "net_turns": -0.2},
    }
    assert held(document, left) == [("nut-not-returned", "H2")]


def test_a_face_seen_after_turning_says_nothing_of_the_face_before(document: Document) -> None:
    turned = {"H2": {"state": "easing", "face": "none", "turned_down": 0.12, "net_turns": -0.12}}
    assert following(document, done(turned))["status"] == "under_way"


def test_a_hanger_that_the_order_does_not_know_holds_the_work(document: Document) -> None:
    progress = nothing_done()
    progress["hangers"].append({**progress["hangers"][0], "mark": "H6"})
    answer = following(document, progress)
    assert [(each["code"], each["mark"]) for each in answer["holds"]] == [("hanger-not-in-order", "H6")]


def test_a_hanger_that_is_no_longer_on_the_line_holds_the_work(document: Document) -> None:
    progress = nothing_done()
    del progress["hangers"][2]
    assert following(document, progress)["status"] == "hold"


def test_a_stop_put_back_that_was_out_when_the_order_was_made_holds_the_work() -> None:
    start = done({"H1": out(0.5)})
    document = ordered(progress=start, factor=1.04, slot_clearance_m=0.0, hangers={"H1": {"released": True}})
    assert following(document, start)["status"] == "step"
    assert held(document, {}) == [("stop-back-in", "H1")]


def test_where_nuts_stay_the_way_counts_not_only_what_is_out() -> None:
    document = heavy({"nut_rule": "leave"}, progress=nothing_done())
    first, second = document["steps"][0]["marks"][0], document["steps"][1]["marks"][0]

    def left(mark: str, sequence: int) -> Document:
        turns = next(s for s in document["steps"] if s["marks"] == [mark])["hangers"][0]["turns"]["aim"]
        return {**out(-turns, sequence), "turned_up": 0.0, "net_turns": turns}

    right = {first: left(first, 20), second: left(second, 30)}
    assert following(document, done(right))["status"] == "step"
    wrong = {first: left(first, 30), second: left(second, 20)}
    assert ("out-of-order", second) in held(document, wrong)


def test_an_order_that_was_not_offered_leads_nowhere() -> None:
    refused = ordered(bare_spans=(3,))
    answer = following(refused, nothing_done())
    assert (answer["status"], codes(answer["holds"])) == ("hold", ["order-not-offered"])


def test_marks_are_known_in_any_case_of_letters(document: Document) -> None:
    progress: dict[str, Any] = done(H2_OUT)
    for each in progress["hangers"]:
        each["mark"] = each["mark"].lower()
    assert following(document, progress)["number"] == 2
