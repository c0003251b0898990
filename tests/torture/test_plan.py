"""The plan: the same for the same seed, and with every named point in it."""

from __future__ import annotations

from itertools import islice

from tests.torture.plan import SERVERS, as_document, rounds
from tests.torture.points import ALL_POINTS


def test_the_same_seed_gives_the_same_plan() -> None:
    for engine in ("sqlite", "postgresql"):
        one, other = (list(islice(rounds(7, engine), 5)) for _ in range(2))
        assert [as_document(each) for each in one] == [as_document(each) for each in other]


def test_another_seed_gives_another_plan() -> None:
    assert next(rounds(7, "sqlite")) != next(rounds(8, "sqlite"))
    assert next(rounds(7, "sqlite")) != next(rounds(7, "postgresql"))


def test_every_named_point_comes_up_before_any_comes_up_again() -> None:
    drawn = [
        action.point
        for planned in islice(rounds(3, "sqlite"), 12)
        for cycle in planned.cycles
        for action in cycle.actions
        if action.what == "point"
    ]
    # The last cycle of every other round is the disk's, whose points are left out of the deck's order.
    assert set(drawn[: 3 * len(ALL_POINTS)]) == set(ALL_POINTS)


def test_every_other_round_fills_its_disk_once() -> None:
    for planned in islice(rounds(5, "postgresql"), 6):
        filled = [
            action.what for cycle in planned.cycles for action in cycle.actions if action.what == "disk"
        ]
        assert filled == (["disk"] if planned.small_disk else [])


def test_actions_come_in_the_order_of_time_and_within_their_cycle() -> None:
    for planned in islice(rounds(11, "postgresql"), 10):
        for cycle in planned.cycles:
            times = [action.at_s for action in cycle.actions]
            assert times == sorted(times)
            assert all(0 <= time <= cycle.seconds for time in times)
            assert all(action.server in (*SERVERS, "") for action in cycle.actions)


def test_a_database_is_harmed_only_where_it_is_a_process_of_its_own() -> None:
    harms = {"backend", "terminate", "database"}
    for engine, expected in (("sqlite", set()), ("postgresql", harms)):
        drawn = {
            action.what
            for planned in islice(rounds(2, engine), 40)
            for cycle in planned.cycles
            for action in cycle.actions
        }
        assert drawn & harms == expected
