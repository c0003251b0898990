"""What the balance of a stored line does to readiness, to authorisations and to confirming."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from service.application import balance, hangers, line_models, questions
from service.application.weighings import weighing_of
from service.demo.models import BARE_SEGMENTS, line_model
from service.demo.records import PLANT, Support, hanger_record, supports_of
from service.domain.balance.weighing import Weighing
from service.domain.checks.weighed import NotWeighed
from service.errors import GuardNotMet
from tests.application.plant import ANY
from tests.http.running import Running
from tests.http.weighed import Site, site, support

LINE = "BP-50"
MARKS = [each.mark for each in supports_of(LINE)]


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    running = Running(tmp_path)
    yield running
    running.close()


@pytest.fixture
def plant(running: Running) -> Site:
    """Line BP-50 of the demonstration, ready and not authorised."""
    return site(running, LINE)


def weighed(plant: Site, line: str = LINE, as_of: int | None = None) -> Any:
    """What the balance says of a line."""
    with plant.running.store.read(PLANT) as reader:
        view = reader.line_view(line, as_of=as_of)
        assert view is not None
        return weighing_of(reader, view, as_of)


def states(plant: Site, line: str = LINE) -> set[str]:
    """Release states of the line's hangers."""
    with plant.running.store.read(PLANT) as reader:
        view = reader.line_view(line)
        assert view is not None
        return {hanger.state for hanger in view.hangers}


def last(plant: Site) -> int:
    """Sequence of the newest event."""
    with plant.running.store.read(PLANT) as reader:
        return reader.size - 1


def heavier(kilograms: float) -> dict[str, Any]:
    """The line's model with a mass more."""
    found = copy.deepcopy(line_model(LINE))
    found["masses"] = [{"id": "valve", "node": "N60", "mass": {"value": kilograms, "unit": "kg"}}]
    return found


def put_model(plant: Site, document: dict[str, Any], *, dry_run: bool = False) -> Any:
    """Write a revision of the line's model, or try to."""
    context = replace(plant.at_work().act_as("engineer"), dry_run=dry_run)
    return line_models.put_line_model(context, PLANT, LINE, document, ANY)


def put_record(plant: Site, mark: str, document: dict[str, Any]) -> Any:
    """Write a revision of a hanger's record."""
    return hangers.put_hanger(plant.at_work().act_as("integrator"), PLANT, mark, document, ANY)


# --- never an old answer ------------------------------------------------------------------------------
def test_what_was_worked_out_is_kept_while_nothing_changes(plant: Site) -> None:
    assert weighed(plant) is weighed(plant)


def test_every_change_that_a_balance_rests_on_is_a_balance_anew(plant: Site) -> None:
    seen: list[Weighing] = [weighed(plant)]

    def changed() -> Weighing:
        found = weighed(plant)
        assert all(found is not each for each in seen)
        seen.append(found)
        return found

    put_model(plant, heavier(50))
    assert changed().model_revision == 2
    record = hanger_record(support("BP-50-02"))
    record["design"]["calibrated_load"]["value"] += 0.1
    put_record(plant, "BP-50-02", record)
    before, after = seen[-1], changed()
    assert after.hangers["BP-50-02"].cold != before.hangers["BP-50-02"].cold
    plant.act("recorder", f"/lines/{LINE}/inspections", contents="water")
    changed()
    plant.act("recorder", f"/lines/{LINE}/inspections", contents="empty")
    plant.act(
        "recorder", f"/lines/{LINE}/inspections", segments_present=[{"segment": "S1", "insulation": 0.5}]
    )
    lighter = changed()
    assert sum(each.weight_n for each in lighter.missing_weights) > 0.0
    # The reader of the past gets the past, however late he asks.
    assert weighed(plant, as_of=last(plant)) is lighter
    assert weighed(plant, as_of=last(plant) - 5) == seen[0]


def test_a_trial_leaves_nothing_that_a_later_write_could_be_answered_with(plant: Site) -> None:
    # With hangers cleared the trial is weighed: what it would do is told.
    plant.act("engineer", f"/lines/{LINE}/authorisations")
    before = weighed(plant)
    trial = put_model(plant, heavier(3000), dry_run=True)
    assert trial.consequences[0]["type"] == "authorisation-ended"
    assert weighed(plant) is before
    assert states(plant) == {"cleared"}
    # The write gets the revision and the sequence that the trial had.
    written = put_model(plant, heavier(10))
    assert (written.revision, written.sequence) == (trial.revision, last(plant))
    assert trial.sequence == written.sequence
    assert {each.cold.verdict for each in weighed(plant).hangers.values()} == {"will_not"}
    assert (written.consequences, states(plant)) == ([], {"cleared"})
    put_model(plant, heavier(3000))
    assert {each.cold.verdict for each in weighed(plant).hangers.values()} != {"will_not"}
    assert states(plant) == {"locked"}


def test_before_its_model_a_line_has_no_balance_and_a_model_that_fits_no_more_says_why(
    running: Running,
) -> None:
    plant = site(running, LINE, modelled=False)
    bare = last(plant)
    assert weighed(plant) is None
    plant.at_work().model(LINE)
    assert isinstance(weighed(plant), Weighing)
    assert weighed(plant, as_of=bare) is None
    told = {"occurred_at": plant.stamp(), "reason": "taken off with its span"}
    hangers.retire_hanger(plant.at_work().act_as("engineer"), PLANT, MARKS[4], told)
    found = weighed(plant)
    assert isinstance(found, NotWeighed)
    assert MARKS[4] in found.reason
    reader = plant.at_work().act_as("engineer")
    for document in (
        questions.line_readiness(reader, PLANT, LINE, "release"),
        questions.line_readiness(reader, PLANT, LINE, "pressure_test"),
    ):
        assert "line-not-weighed" in {each["code"] for each in document["blockers"]}


# --- authorisations -------------------------------------------------------------------------------------
def test_an_inspection_that_makes_the_line_not_ready_ends_its_authorisation(running: Running) -> None:
    plant = site(running, "CR-40")
    plant.act("engineer", "/lines/CR-40/authorisations")
    assert states(plant, "CR-40") == {"cleared"}
    bare = [{"segment": segment, "insulation": 0, "jacketing": 0} for segment in BARE_SEGMENTS]
    # Only the parts are told: what the whole line was seen to be before does not outlive them.
    receipt = plant.act("recorder", "/lines/CR-40/inspections", segments_present=bare)
    assert [each["type"] for each in receipt["consequences"]] == ["authorisation-ended"] + [
        "transition-made"
    ] * 5
    assert receipt["consequences"][0]["data"]["cause"] == "readiness-lost"
    assert states(plant, "CR-40") == {"locked"}
    assert weighed(plant, "CR-40").hangers["CR-40-03"].cold.verdict == "will"


def test_one_plant_is_told_of_its_lines_as_each_line_is(plant: Site) -> None:
    engineer = plant.at_work().act_as("engineer")
    ready = questions.plant_readiness(engineer, PLANT, "release")
    assert [(each["line"], each["verdict"]) for each in ready["lines"]] == [(LINE, "ready")]
    put_model(plant, heavier(3000))
    engineer = plant.at_work().act_as("engineer")
    alone = questions.line_readiness(engineer, PLANT, LINE, "release")
    ready = questions.plant_readiness(engineer, PLANT, "release")
    assert alone["verdict"] != "ready"
    assert [each["verdict"] for each in ready["lines"]] == [alone["verdict"]]


def test_a_turn_that_may_overload_a_neighbour_ends_the_authorisation_of_the_others(plant: Site) -> None:
    plant.act("engineer", f"/lines/{LINE}/authorisations")
    crew = plant.at_work()
    crew.step(support("BP-50-01"), "ease")
    plant.catch_up()
    assert states(plant) == {"cleared", "easing"}
    # A quarter turn down gives its load to the next hanger, whose stop may bear 2 kN.
    crew.turn(support("BP-50-01"), -0.25)
    plant.catch_up()
    assert states(plant) == {"locked", "easing"}
    found = questions.line_readiness(plant.at_work().act_as("engineer"), PLANT, LINE, "release")
    assert [(each["code"], each["subject"]) for each in found["blockers"]] == [
        ("capacity-exceeded", "hanger/BP-50-02/assembly/1/check/stop-force-down-balance")
    ]


# --- the expected reading ---------------------------------------------------------------------------------
def _without_expectation(each: Support) -> dict[str, Any]:
    record = hanger_record(each)
    del record["indicator"]["expected_released_cold"]
    return record


def _released(plant: Site, order: list[tuple[str, float]]) -> None:
    """Released in the order that passes no limit, every hanger positioned, hardware seen, none confirmed."""
    plant.act("engineer", f"/lines/{LINE}/authorisations")
    crew = plant.at_work()
    for mark, turns in order:
        crew.ease(support(mark), turns)
        crew.withdraw(support(mark))
    for each in supports_of(LINE):
        crew.position(each)
    crew.clock.advance(5)
    for each in supports_of(LINE):
        crew.inspect(each, stops_counted=None, stops_damaged=None, nameplate=None)
    plant.catch_up()


def test_a_hanger_is_confirmed_at_the_reading_that_the_balance_expects_and_not_off_it(plant: Site) -> None:
    for each in supports_of(LINE):
        put_record(plant, each.mark, _without_expectation(each))
    engineer = plant.at_work().act_as("engineer")
    asked = balance.line_release_order(engineer, PLANT, LINE, {"nut_rule": "leave"})
    assert asked["status"] == "offered"
    steps = [told for step in asked["steps"] for told in step["hangers"]]
    _released(plant, [(told["mark"], told["turns"]["aim"]) for told in steps])
    each = support("BP-50-03")
    told = weighed(plant).hangers[each.mark]
    expected_mm, band_mm = 1e3 * told.expected_released_cold_m, 1e3 * (told.expected_band_m or 0.0)
    # A line 4 % too heavy: what is expected is well off the cold mark.
    assert abs(expected_mm - hanger_record(each)["indicator"]["cold_mark"]["value"]) > 5.0
    crew = plant.at_work()
    crew.read(each, "cold", expected_mm + band_mm + 20.0, 21)
    with pytest.raises(GuardNotMet) as refused:
        crew.step(each, "confirm")
    (lack,) = [lack for lack in refused.value.facts["lacks"] if lack["code"] == "reading-off-expected"]
    assert "line model revision 1" in str(lack) or "line-model/1" in str(lack)
    crew.read(each, "cold", expected_mm, 21)
    crew.step(each, "confirm")
    with plant.running.store.read(PLANT) as reader:
        view = reader.hanger_view(each.mark)
        assert view is not None
        assert view.state == "released"


def test_without_a_model_nothing_takes_the_place_of_the_expected_reading(running: Running) -> None:
    plant = site(running, LINE, modelled=False)
    for each in supports_of(LINE):
        put_record(plant, each.mark, _without_expectation(each))
    _released(plant, [(mark, -0.25) for mark in MARKS])
    each = support("BP-50-03")
    crew = plant.at_work()
    crew.read(each, "cold", hanger_record(each)["indicator"]["cold_mark"]["value"], 21)
    with pytest.raises(GuardNotMet) as refused:
        crew.step(each, "confirm")
    assert "expected-reading-not-stated" in {lack["code"] for lack in refused.value.facts["lacks"]}
