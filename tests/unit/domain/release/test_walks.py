"""Whole lives: cycles, pairs, and random crews that must never get past a guard."""

from __future__ import annotations

from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from service.domain.release import guards, machine
from tests.unit.domain.release.support import (
    CHECKER,
    CREW,
    ENGINEER,
    Site,
    celsius,
    metres,
    principal,
    spring,
    trapeze,
)

ORDER = ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved")


def test_a_hanger_goes_round_two_cycles_with_a_ledger_that_goes_on() -> None:
    site = Site(A=spring())
    for cycle in (1, 2):
        site.bring("A", "easing")
        site.turn("A", 0.5)
        site.bring("A", "proved")
        assert site.view("A").status["cycle"] == cycle
        site.read_cold("A")
        site.put_back("A")
        site.step("A", "relock", by=ENGINEER, purpose="pressure_test")
    ledger = site.hanger_facts("A")["assembly/1/ledger"].value
    assert (ledger["net_turns"], ledger["cycle_net_turns"]) == (1.0, 0.0)


def test_nothing_of_the_first_cycle_opens_the_second() -> None:
    site = Site(A=spring())
    site.bring("A", "proved")
    site.read_cold("A")
    site.put_back("A")
    site.step("A", "relock", by=ENGINEER, purpose="repair")
    site.authorise("A")
    site.step("A", "ease")
    assert site.lacks("A", "withdraw", stops_withdrawn=site.counts("A")) == [
        "stop-count-not-as-drawn",
        "stop-damaged",
        "stop-not-in",
        "stop-not-in",
        "stop-not-free",
        "stop-not-free",
    ]


def test_a_performer_of_the_first_cycle_may_verify_the_second() -> None:
    site = Site(A=spring())
    site.bring("A", "proved")
    site.read_cold("A")
    site.put_back("A")
    site.step("A", "relock", by=ENGINEER, purpose="repair")
    site.erected("A")
    site.authorise("A")
    site.step("A", "ease", by=CHECKER)
    site.see_free("A")
    site.step("A", "withdraw", by=CHECKER, stops_withdrawn=site.counts("A"))
    site.step("A", "position", by=CHECKER)
    for stop in (1, 2):
        site.stop("A", "stowed", stop, by=CHECKER)
    site.read_cold("A")
    site.verify("A", by=CREW)
    site.step("A", "confirm", by=CHECKER)


def test_a_pair_is_eased_together_and_drawn_one_after_the_other() -> None:
    site = Site(A=spring(), B=spring())
    for mark in ("A", "B"):
        site.bring(mark, "cleared")
    site.step("A", "ease", paired_with=["B"])
    site.step("B", "ease", paired_with=["A"])
    site.see_free("A")
    site.see_free("B")
    site.step("A", "withdraw", stops_withdrawn=site.counts("A"))
    assert site.lacks("B", "withdraw", stops_withdrawn=site.counts("B")) == ["observation-stale"] * 2
    site.see_free("B")
    site.step("B", "withdraw", stops_withdrawn=site.counts("B"))


MARKS = st.sampled_from(["A", "B"])


class Crew(RuleBasedStateMachine):
    """A crew that does anything in any order; only what the guards let through is written down.

    The model keeps its own, much simpler account of the line: a counter of everything that can move
    load, and for each stop the counter's reading when it was last seen free.
    """

    @initialize()
    def erect(self) -> None:
        self.site = Site(A=spring(), B=trapeze())
        for mark in ("A", "B"):
            self.site.erected(mark)
        self.disturbed = 0
        self.net: dict[tuple[str, int], float] = {}  # turns of this cycle
        self.seen_free: dict[tuple[str, int, int], int] = {}
        self.inside = {(mark, *stop) for mark in ("A", "B") for stop in self.site.stops_of(mark)}
        self.steps: list[tuple[str, str, str]] = []

    def _step(self, mark: str, name: str, by: str = CREW, **fields: Any) -> bool:
        site, view = self.site, self.site.view(mark)
        act = {"transition": name, **fields}
        target = machine.target(view.state, name, view.status, act)
        if target is None:
            return False
        role = "engineer" if by == ENGINEER else "recorder"
        if guards.lacks(name, site.situation(mark, act, by=by, actor=principal(by, role))):
            return False
        site.made(mark, name, target, by=by, role=role, **{k: v for k, v in fields.items() if k != "to"})
        self.steps.append((mark, view.state, target))
        self.disturbed += 1
        if name == "relock":  # the next cycle begins
            self.net = {key: turns for key, turns in self.net.items() if key[0] != mark}
        return True

    @rule(mark=MARKS)
    def authorise(self, mark: str) -> None:
        if self.site.view(mark).state == "locked":
            self.site.authorise(mark)
            self.steps.append((mark, "locked", "cleared"))
            self.disturbed += 1

    @rule(mark=MARKS, by=st.sampled_from([CREW, ENGINEER]), paired=st.booleans())
    def ease(self, mark: str, by: str, paired: bool) -> None:
        if self._step(mark, "ease", by, paired_with=["A", "B"] if paired else []):
            assert by == CREW
            others = [
                other for other in ("A", "B") if other != mark and self.site.view(other).state == "easing"
            ]
            assert paired or not others

    @rule(
        mark=MARKS,
        stop=st.integers(1, 2),
        face=st.sampled_from(["none", "none", "upper"]),
        free=st.booleans(),
    )
    def look(self, mark: str, stop: int, face: str, free: bool) -> None:
        number = self.site.stops_of(mark)[stop - 1]
        if self.site.stop_lacks(mark, "observed", number[1], number[0]):
            return
        assert (mark, *number) in self.inside
        self.site.stop(mark, "observed", number[1], number[0], bearing_face=face, free_by_hand=free)
        self.seen_free[(mark, *number)] = self.disturbed if face == "none" and free else -1

    @rule(mark=MARKS)
    def look_at_all(self, mark: str) -> None:
        for stop in (1, 2):
            self.look(mark, stop, "none", True)

    @rule(mark=MARKS, turns=st.sampled_from([-1.0, -0.5, 0.25, 0.5]), assembly=st.integers(1, 2))
    def turn(self, mark: str, turns: float, assembly: int) -> None:
        if not self.site.turn_lacks(mark, turns, assembly):
            self.site.turn(mark, turns, assembly)
            self.disturbed += 1
            before = self.net.get((mark, assembly), 0.0)
            self.net[mark, assembly] = before + turns
            if self.site.view(mark).state == "stops_out":
                assert before * turns < 0.0
                assert abs(turns) <= abs(before) + 1e-6
                assert all(self.site.view(other).state != "easing" for other in ("A", "B") if other != mark)
            else:
                assert self.site.view(mark).state in ("easing", "positioning", "on_hold")

    @rule(contents=st.sampled_from(["empty", "water"]))
    def fill(self, contents: str) -> None:
        known = self.site.line_facts().get("contents")
        if known is None or known.value != contents:
            self.disturbed += 1
        self.site.inspect_line(contents=contents, line_temperature=celsius(20))

    @rule(mark=MARKS)
    def withdraw(self, mark: str) -> None:
        stops = [(mark, *stop) for stop in self.site.stops_of(mark)]
        fresh = all(self.seen_free.get(stop) == self.disturbed for stop in stops)
        if self._step(mark, "withdraw", stops_withdrawn=self.site.counts(mark)):
            assert fresh
            self.inside -= set(stops)

    @rule(mark=MARKS)
    def position(self, mark: str) -> None:
        if self._step(mark, "position"):
            assert not self.inside

    @rule(mark=MARKS, stop=st.integers(1, 2), act=st.sampled_from(["stowed", "inserted"]))
    def handle_stop(self, mark: str, stop: int, act: str) -> None:
        assembly, number = self.site.stops_of(mark)[stop - 1]
        if self.site.stop_lacks(mark, act, number, assembly):
            return
        assert (mark, assembly, number) not in self.inside
        self.site.stop(mark, act, number, assembly)
        if act == "inserted":
            self.inside.add((mark, assembly, number))
            self.disturbed += 1

    @rule(mark=MARKS)
    def stow_all(self, mark: str) -> None:
        for stop in (1, 2):
            self.handle_stop(mark, stop, "stowed")

    @rule(mark=MARKS, by=st.sampled_from([CHECKER, CREW]))
    def read_and_verify(self, mark: str, by: str) -> None:
        for assembly in self.site.numbers(mark):
            self.site.read(mark, "cold", 80, assembly, elevation=metres(12.4), line_temperature=celsius(20))
        self.site.verify(mark, by=by)

    @rule(mark=MARKS)
    def confirm(self, mark: str) -> None:
        if self._step(mark, "confirm"):
            mine = [(mark, *stop) for stop in self.site.stops_of(mark)]
            positions = {
                self.site.hanger_facts(mark)[f"assembly/{a}/stop/{n}"].value["position"] for _, a, n in mine
            }
            assert positions == {"stowed"}

    @rule(mark=MARKS, hot=st.booleans())
    def prove(self, mark: str, hot: bool) -> None:
        if hot:
            self.site.read_hot(mark)
        self._step(mark, "prove", ENGINEER)

    @rule(
        mark=MARKS, name=st.sampled_from(["abandon", "reinsert", "reposition", "relock"]), count=st.booleans()
    )
    def go_back(self, mark: str, name: str, count: bool) -> None:
        if count:
            for assembly, entry in enumerate(self.site.records[mark]["assemblies"], start=1):
                self.site.inspect(mark, assembly, stops_counted=entry["stops"], stops_damaged=0)
        by = ENGINEER if name == "relock" else CREW
        if self._step(mark, name, by, reason="needed", purpose="repair") and name != "reposition":
            assert {(mark, *stop) for stop in self.site.stops_of(mark)} <= self.inside

    @rule(mark=MARKS, skip=st.sampled_from([None, None, "look", "stow", "read"]))
    def press_on(self, mark: str, skip: str | None) -> None:
        """What a crew does that wants to get on; it may forget a thing on the way."""
        state = self.site.view(mark).state
        if state == "locked":
            self.authorise(mark)
        elif state == "cleared":
            self.ease(mark, CREW, True)
        elif state == "easing":
            if skip != "look":
                self.look_at_all(mark)
            self.withdraw(mark)
        elif state == "stops_out":
            self.position(mark)
        elif state == "positioning":
            if skip != "stow":
                self.stow_all(mark)
            if skip != "read":
                self.read_and_verify(mark, CHECKER)
            self.confirm(mark)
        elif state == "released":
            self.prove(mark, True)
        elif state == "on_hold":
            self.dispose(mark, "resume")

    @rule(mark=MARKS, steps=st.integers(1, 6))
    def press_on_for_long(self, mark: str, steps: int) -> None:
        for _ in range(steps):
            self.press_on(mark, None)

    @rule(steps=st.integers(1, 6))
    def press_on_with_both(self, steps: int) -> None:
        for _ in range(steps):
            self.press_on("A", None)
            self.press_on("B", None)

    @rule(mark=MARKS)
    def put_back_and_lock(self, mark: str) -> None:
        for stop in (1, 2):
            self.handle_stop(mark, stop, "inserted")
        self.read_and_verify(mark, CHECKER)
        for name in ("reinsert", "relock", "abandon"):
            self.go_back(mark, name, True)

    @rule(mark=MARKS)
    def hold(self, mark: str) -> None:
        self._step(mark, "hold", reason="doubt")

    @rule(mark=MARKS, to=st.sampled_from(["resume", "locked"]))
    def dispose(self, mark: str, to: str) -> None:
        if self._step(mark, "dispose", ENGINEER, reason="seen", to=to) and to == "locked":
            assert {(mark, *stop) for stop in self.site.stops_of(mark)} <= self.inside

    @invariant()
    def no_state_is_skipped(self) -> None:
        for _, came_from, went_to in self.steps:
            if "on_hold" in (came_from, went_to):
                continue
            forward = ORDER.index(went_to) - ORDER.index(came_from)
            assert forward <= 1
        self.steps = self.steps[-1:]

    @invariant()
    def where_stops_are_is_what_the_register_says(self) -> None:
        for mark in ("A", "B"):
            for assembly, number in self.site.stops_of(mark):
                fact = self.site.hanger_facts(mark).get(f"assembly/{assembly}/stop/{number}")
                if fact is not None:
                    assert (fact.value["position"] == "in") == ((mark, assembly, number) in self.inside)

    @invariant()
    def no_hanger_is_past_withdrawal_with_a_drawn_stop_in_that_nobody_put_back(self) -> None:
        for mark in ("A", "B"):
            if self.site.view(mark).state in ("released", "proved"):
                assert "withdrawal" in self.site.hanger_facts(mark)


TestCrew = Crew.TestCase
TestCrew.settings = settings(max_examples=80, stateful_step_count=40, deadline=None)
