"""Random acts of random people on a plant of two lines; what must hold holds after each."""

from __future__ import annotations

import os
import tempfile
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
    run_state_machine_as_test,
)

from service.application import hangers
from service.errors import ServiceError
from tests import postgres
from tests.application.plant import ANY, HANGERS, PLANT, hanger_document, line_document, on, q
from tests.application.site import STAGES, Site, built, copied

# Which state leads to which, by step: written by hand. `lapse` and `clear` are the service's.
MOVES = {
    ("locked", "clear", "cleared"), ("cleared", "ease", "easing"), ("easing", "withdraw", "stops_out"),
    ("stops_out", "position", "positioning"), ("positioning", "confirm", "released"),
    ("released", "prove", "proved"), ("cleared", "lapse", "locked"), ("easing", "abandon", "locked"),
    ("stops_out", "reinsert", "locked"), ("positioning", "reinsert", "locked"),
    ("released", "reposition", "positioning"), ("proved", "reposition", "positioning"),
    ("released", "relock", "locked"), ("proved", "relock", "locked"),
} | {
    (state, "hold", "on_hold")
    for state in ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved")
} | {
    ("on_hold", "dispose", state)
    for state in ("locked", "cleared", "easing", "stops_out", "positioning", "released", "proved")
}  # fmt: skip
MARKS = [hanger.mark for hanger in HANGERS.values() if hanger.kind != "rigid"]
LINES = ["LA", "LB"]
WHO = ["engineer", "other engineer", "fitter", "other fitter", "inspector", "integrator", "robot", "reader"]
STEPS = ["ease", "withdraw", "position", "confirm", "prove", "abandon", "reinsert", "reposition", "relock"]

who = st.sampled_from(WHO)
mark = st.sampled_from(MARKS)
line = st.sampled_from(LINES)


class Work(RuleBasedStateMachine):
    """People at work, some of them well and some of them wrongly."""

    site: Site
    states: dict[str, str]
    seen: int

    @initialize(stage=st.sampled_from(STAGES[2:]))
    def begin(self, stage: str) -> None:
        """Line LA stands anywhere from erected to proved; line LB is erected."""
        self.folder = tempfile.TemporaryDirectory(prefix="work-")
        self.site = self.site_at(stage, Path(self.folder.name) / "data")
        self.states = {each: self.site.state(each) for each in MARKS}
        self.seen = self.site.size()

    def site_at(self, stage: str, folder: Path) -> Site:
        return copied(stage, folder)

    def attempt(self, act: Any) -> bool:
        """Try something; a refusal has to leave nothing behind."""
        before = self.site.traces()
        try:
            act()
        except ServiceError:
            assert self.site.traces() == before
            return False
        return True

    # --- wrong or right, as it comes ----------------------------------------------------------------
    @rule(who=who, mark=mark, step=st.sampled_from(STEPS), minutes=st.sampled_from([0, 1, 90]))
    def any_step(self, who: str, mark: str, step: str, minutes: int) -> None:
        fields: dict[str, Any] = {"reason": "random"}
        if step == "withdraw":
            fields["stops_withdrawn"] = self.site.counts(mark)
        if step == "relock":
            fields["purpose"] = "repair"
        self.site.later(minutes)
        self.attempt(lambda: self.site.step(mark, step, who, **fields))

    @rule(who=who, mark=mark, turns=st.sampled_from([-2.0, -0.5, 0.25, 0.5, 3.5]))
    def any_turn(self, who: str, mark: str, turns: float) -> None:
        self.attempt(lambda: self.site.later().do("turn", who, mark, assembly=1, turns=turns))

    @rule(who=who, mark=mark, act=st.sampled_from(["observed", "stowed", "inserted"]),
          face=st.sampled_from(["none", "upper", "unknown"]), stop=st.integers(1, 3))  # fmt: skip
    def any_stop(self, who: str, mark: str, act: str, face: str, stop: int) -> None:
        seen = {"bearing_face": face, "free_by_hand": face == "none"} if act == "observed" else {}
        self.attempt(lambda: self.site.later().do("stop", who, mark, assembly=1, stop=stop, act=act, **seen))

    @rule(who=who, mark=mark)
    def hold(self, who: str, mark: str) -> None:
        self.attempt(lambda: self.site.step(mark, "hold", who, reason="random"))

    @rule(who=who, mark=mark, to=st.sampled_from(["resume", "locked"]))
    def dispose(self, who: str, mark: str, to: str) -> None:
        self.attempt(lambda: self.site.step(mark, "dispose", who, to=to, reason="random"))

    @rule(who=who, line=line)
    def authorise(self, who: str, line: str) -> None:
        self.attempt(lambda: self.site.authorise(line, who))

    @rule(line=line, seen=st.sampled_from([
        {"insulation": "incomplete"}, {"insulation": "complete"}, {"contents": "water"},
        {"contents": "empty"}, {"line_temperature": q(300, "degC")}, {"line_temperature": q(20, "degC")},
        {"temporary_supports": 1}, {"temporary_supports": 0},
    ]))  # fmt: skip
    def look_at_line(self, line: str, seen: dict[str, Any]) -> None:
        self.attempt(lambda: self.site.later().do("inspect line", "inspector", line, **seen))

    @rule(mark=mark, seen=st.sampled_from([
        {"stops_counted": 1}, {"stops_counted": 2}, {"rod_slack": True}, {"rod_slack": False},
        {"engagement": [{"end": "lower", "full": False}]}, {"engagement": [{"end": "lower", "full": True}]},
    ]))  # fmt: skip
    def look(self, mark: str, seen: dict[str, Any]) -> None:
        self.attempt(lambda: self.site.later().do("inspect", "inspector", mark, assembly=1, **seen))

    @rule(
        mark=mark, position=st.sampled_from([18, 54, 59, 70, 120]), condition=st.sampled_from(["cold", "hot"])
    )
    def read(self, mark: str, position: int, condition: str) -> None:
        self.attempt(lambda: self.site.read(mark, condition, position))

    @rule(mark=mark, change=st.sampled_from([{"drawing_mark": "x"}, {"drawing": {"number": "D-2"}}, {}]))
    def revise(self, mark: str, change: dict[str, Any]) -> None:
        line = hangers.get_hanger(self.site.context("reader"), PLANT, mark).line
        document = hanger_document(mark, line, **change)
        self.attempt(lambda: self.site.later().put_hanger(mark, document, ANY))

    @rule(line=line, change=st.sampled_from([{}, {"connected_lines": ["LX"]}, {"description": "other"}]))
    def revise_line(self, line: str, change: dict[str, Any]) -> None:
        self.attempt(lambda: self.site.later().put_line(line, line_document(line, **change), ANY))

    @rule(data=st.data(), withdraws=st.booleans())
    def correct(self, data: st.DataObject, withdraws: bool) -> None:
        names = {"hanger-inspected": "inspect", "stop-noted": "stop", "adjuster-turned": "turn",
                 "line-inspected": "inspect line"}  # fmt: skip
        found = [event for event in self.site.events() if event.type in names][-12:]
        event = data.draw(st.sampled_from(found))
        subject = event.subject.partition("/")[2]
        fields = {key: value for key, value in event.data.items() if key not in ("release_state", "reason")}
        if withdraws:
            fields = {"withdraws": True}
        elif event.type == "stop-noted":
            fields |= {"bearing_face": "upper"}
        self.attempt(
            lambda: self.site.later().do(
                names[event.type], "inspector", subject, at=event.occurred_at, corrects=event.sequence,
                reason="random", **fields,
            )
        )  # fmt: skip

    # --- pieces of work done well, so that every state is reached ------------------------------------------
    @rule(line=line)
    def make_ready(self, line: str) -> None:
        site = self.site
        site.put_line(line, line_document(line), ANY)
        for hanger in on(line):
            if self.states.get(hanger.mark, "locked") == "locked":
                site.later().look(hanger.mark)
        site.later().look_at_line(line)
        self.piece(lambda: site.authorise(line))

    @rule(line=line)
    def go_on_with_all(self, line: str) -> None:
        self.make_ready(line)
        for hanger in on(line):
            if hanger.kind != "rigid":
                self.go_on(hanger.mark)

    @rule(mark=mark)
    def go_on(self, mark: str) -> None:
        """The next piece of work at one hanger, whatever its state."""
        site, hanger = self.site, HANGERS[mark]
        if site.state(mark) == "on_hold":
            self.piece(lambda: site.step(mark, "dispose", "engineer", to="resume", reason="seen"))
        work: dict[str, list[Any]] = {
            "cleared": [lambda: site.take_out(mark)],
            "easing": [lambda: site.see_free(mark), lambda: site.draw(mark), lambda: site.stow(mark)],
            "stops_out": [lambda: site.stow(mark), lambda: site.position(mark)],
            "positioning": [lambda: site.look_at_line(hanger.line), lambda: site.confirm(mark)],
            "released": [lambda: site.heat(hanger.line), lambda: site.prove(mark)],
            "proved": [
                lambda: site.look_at_line(hanger.line),
                lambda: site.read(mark, "cold", hanger.expected_mm),
                lambda: site.put_back(mark),
                lambda: site.step(mark, "relock", "engineer", purpose="repair"),
            ],
        }
        for part in work.get(site.state(mark), ()):
            self.piece(part)

    @rule(mark=mark)
    def go_back(self, mark: str) -> None:
        site = self.site
        back = {"easing": "abandon", "released": "reposition", "proved": "reposition"}
        state = site.state(mark)
        if state in ("stops_out", "positioning"):
            self.piece(lambda: site.put_back(mark))
            self.piece(lambda: site.step(mark, "reinsert"))
        elif state in back:
            self.piece(lambda: site.step(mark, back[state], reason="drifts"))

    def piece(self, work: Any) -> None:
        """A piece of work of several acts, which stops at the first that is refused."""
        with suppress(ServiceError):
            work()

    # --- what must hold ----------------------------------------------------------------------------------
    @invariant()
    def the_log_is_dense_and_every_move_is_on_the_table(self) -> None:
        events = self.site.events()
        assert [event.sequence for event in events] == list(range(len(events)))
        for event in events[self.seen :]:
            if event.type != "transition-made":
                continue
            hanger = event.subject.partition("/")[2]
            move = (event.data["from"], event.data["transition"], event.data["to"])
            assert move in MOVES, move
            assert self.states[hanger] == event.data["from"]
            self.states[hanger] = event.data["to"]
            if event.data["transition"] == "withdraw":
                self._was_free(event)
        self.seen = len(events)
        assert {each: self.site.state(each) for each in MARKS} == self.states

    def _was_free(self, event: Any) -> None:
        """Before a withdrawal each stop was seen free after the last disturbance of its line."""
        hanger = event.subject.partition("/")[2]
        before = self.site.release(hanger, event.sequence - 1)
        for assembly in before["assemblies"]:
            for stop in assembly["stops"]:
                assert (stop["position"], stop["bearing_face"], stop["free_by_hand"]) == ("in", "none", True)
                assert stop["fresh"] is True
        seen = [
            stop["shown_by"] for assembly in before["assemblies"] for stop in assembly["stops"]
        ]  # fmt: skip
        assert before["disturbance"]["sequence"] < min(seen)

    @invariant()
    def readiness_keeps_its_promises(self) -> None:
        for each in LINES:
            heat_up = self.site.readiness(each, "heat_up")
            release = self.site.readiness(each, "release")
            for hanger in on(each):
                if hanger.kind == "rigid":
                    continue
                status = self.site.release(hanger.mark)
                stops = [stop for assembly in status["assemblies"] for stop in assembly["stops"]]
                if heat_up["ready"]:
                    assert status["state"] in ("released", "proved")
                    assert {stop["position"] for stop in stops} == {"stowed"}
                if status["state"] == "cleared":
                    assert release["ready"], release["blockers"]
                    assert status["authorisation"]["in_force"]
            if release["ready"]:
                assert not [blocker for blocker in release["blockers"] if blocker["kind"] == "unknown"]
                assert all(self.site.state(hanger.mark) != "on_hold" for hanger in on(each))

    def teardown(self) -> None:
        try:
            assert self.site.differences() == []
        finally:
            self.site.store.close()
            self.folder.cleanup()


def _settings(examples: int) -> settings:
    return settings(max_examples=examples, stateful_step_count=25, suppress_health_check=list(HealthCheck))


TestRandomWork = Work.TestCase
TestRandomWork.settings = _settings(int(os.environ.get("WORK_EXAMPLES", "4")))


def test_random_work_on_postgresql(postgres_url: str) -> None:
    class OnPostgres(Work):
        """The same work, each time on a database of its own."""

        def site_at(self, stage: str, folder: Path) -> Site:
            self.open = ExitStack()
            url = self.open.enter_context(postgres.temporary_database(postgres_url))
            return built(url, folder, stage)

        def teardown(self) -> None:
            with self.open:
                super().teardown()

    run_state_machine_as_test(OnPostgres, settings=_settings(1))
