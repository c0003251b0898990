"""`confirm` and `prove` where the record expects no reading and the line's balance does."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from service.domain.balance.weighing import Weighing
from service.domain.checks import NotWeighed, Weighed
from service.domain.release import corrections, guards
from service.domain.release.status_document import status_document
from service.errors import Lack
from tests.unit.domain.release.support import Site, mm, person, principal, spring
from tests.unit.domain.weighings import hanger, weighing

UNEXPECTED = spring(indicator__expected_released_cold=None)


def expecting(reading_m: float | None = 0.080, band_m: float = 0.0) -> Weighing:
    """A balance that expects a reading of hanger A."""
    return weighing(hanger("A", expected_released_cold_m=reading_m, expected_band_m=band_m))


def positioned(record: dict[str, Any], position: float = 80) -> Site:
    """A hanger in positioning, read cold and verified."""
    site = Site(A=record)
    site.bring("A", "positioning")
    site.stow("A")
    site.read_cold("A", position)
    site.verify("A")
    return site


def lacking(site: Site, weighed: Weighed | None, step: str = "confirm") -> list[Lack]:
    situation = site.situation("A", {"transition": step})
    return guards.lacks(step, replace(situation, weigh=lambda: weighed))


def codes(lacks: list[Lack]) -> list[str]:
    return [lack.code for lack in lacks]


@pytest.mark.parametrize(
    ("position", "found"),
    [(86, []), (74, []), (86.1, ["reading-off-expected"]), (73.9, ["reading-off-expected"])],
)
def test_the_balance_stands_for_the_record_within_the_same_tolerance(
    position: float, found: list[str]
) -> None:
    assert codes(lacking(positioned(UNEXPECTED, position), expecting())) == found


def test_what_friction_may_hold_a_spring_off_is_not_accepted() -> None:
    assert codes(lacking(positioned(UNEXPECTED, 86.1), expecting(band_m=0.030))) == ["reading-off-expected"]


def test_a_reading_that_is_off_names_the_balance_that_expects_another() -> None:
    (lack,) = lacking(positioned(UNEXPECTED, 90), expecting())
    assert lack.expected == mm(80.0)
    assert lack.detail == (
        "The cold reading is more than 6 mm off the one expected by the balance of line model revision 3."
    )


def test_what_the_record_expects_goes_before_the_balance() -> None:
    assert lacking(positioned(spring()), expecting(0.150)) == []
    (lack,) = lacking(positioned(spring(), 90), expecting(0.090))
    assert lack.detail == "The cold reading is more than 6 mm off the one expected."


@pytest.mark.parametrize(
    "weighed",
    [
        None,
        NotWeighed("The frame is a mechanism."),
        expecting(None),
        weighing(hanger("B")),
    ],
)
def test_without_either_nothing_is_confirmed(weighed: Weighed | None) -> None:
    assert codes(lacking(positioned(UNEXPECTED), weighed)) == ["expected-reading-not-stated"]


def test_the_status_says_what_confirm_lacks_by_the_balance() -> None:
    site = positioned(UNEXPECTED)
    known = (site.view("A"), site.line(), site.criteria, principal(person("crew")), site.now)

    def lacks(weighed: Weighed | None) -> list[str]:
        steps = status_document(*known, weighing=weighed)["possible"]
        (confirm,) = [step for step in steps if step["transition"] == "confirm"]
        return [lack["code"] for lack in confirm["lacks"]]

    assert lacks(None) == ["expected-reading-not-stated"]
    assert lacks(expecting()) == []


def test_the_hot_checks_take_the_same_expectation() -> None:
    site = Site(A=spring())
    site.bring("A", "released")
    site.records["A"] = UNEXPECTED
    site.read_hot("A")
    assert codes(lacking(site, expecting(), "prove")) == []
    rules = {lack.expected["rule"] for lack in lacking(site, None, "prove")}
    assert rules == {"travel-direction", "travel-size"}


def test_a_corrected_reading_is_judged_again_by_what_the_balance_said_before_the_step() -> None:
    site = positioned(UNEXPECTED)
    read = next(event for event in site.events if event.type == "reading-taken")
    site.made("A", "confirm", "released")
    confirmed = len(site.events) - 1
    asked: list[int] = []

    def weighing_as_of(sequence: int) -> Weighed:
        asked.append(sequence)
        return expecting()

    data = {key: value for key, value in read.data.items() if key != "position"}
    site.post(
        "reading-taken",
        "hanger/A",
        {**data, "position": mm(95)},
        corrects=read.sequence,
        at=read.occurred_at,
    )
    found = corrections.reexamine(
        site.of("hanger/A"),
        lambda sequence: site.line(as_of=sequence),
        site.view("A"),
        site.criteria,
        weighing=weighing_as_of,
    )
    assert [(lack.facts["transition"], lack.code) for lack in found] == [("confirm", "reading-off-expected")]
    assert asked == [confirmed - 1]
