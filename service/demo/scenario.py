"""What happens in the demonstration, and the guided tour that it prints."""

from __future__ import annotations

import socket
from dataclasses import replace
from datetime import timedelta
from typing import Any, Final

from service import bootstrap
from service.application import access
from service.application.context import Context
from service.config import Settings
from service.demo.models import BARE_SEGMENTS
from service.demo.records import PLAIN_LINES, PLANT, SUPPORTS, WEIGHED_LINES, Support, supports_of
from service.demo.tour import tour
from service.demo.work import Clock, Crew, open_demo_plant, sprung
from service.domain.access import ROLES
from service.domain.ports import Store
from service.errors import Conflict
from service.persistence.store import open_store

NAMES: Final[dict[str, str]] = {
    "engineer": "start-up engineer of the story",
    "fitter": "spring support fitter of the story",
    "inspector": "inspector of the story",
    "integrator": "maintenance software of the story",
}


def fill(settings: Settings) -> None:
    """Fill an empty service with the invented plant, print a token for each role and the tour.

    A service that holds the invented plant already gets new tokens and the tour alone. Errors: Conflict
    where any other plant exists.
    """
    plain = bootstrap.store_of(settings)
    others = [plant for plant in plain.plants("", 100, None) if plant != PLANT]
    if others:
        raise Conflict(
            "This service holds other plants; the demonstration fills an empty one only.", plants=others
        )
    if PLANT not in plain.plants("", 100, None):
        clock = Clock(bootstrap.now() - timedelta(days=30))
        _play(open_store(settings, clock=clock), clock)
    context = bootstrap.operator_context(plain)
    tokens = {role: _token(context, role) for role in ROLES}
    base = f"http://{'127.0.0.1' if settings.host == '0.0.0.0' else settings.host}:{settings.port}"  # noqa: S104
    print(tour(base, tokens, bootstrap.now()))


def _token(context: Context, role: str) -> str:
    document: dict[str, Any] = {"kind": "person", "display_name": f"demonstration {role}"}
    principal = access.register_principal(context, document, bootstrap.new_id("pr_")).document["id"]
    request = {"principal": principal, "role": role}
    return str(
        access.issue_token(context, request, bootstrap.new_id("tk_"), bootstrap.new_secret).document["token"]
    )


def _play(store: Store, clock: Clock) -> None:
    base = bootstrap.operator_context(store, clock())
    persons = {}
    for part, name in NAMES.items():
        kind = "system" if part == "integrator" else "person"
        document = {"kind": kind, "display_name": name}
        identifier = bootstrap.new_id("pr_")
        persons[part] = access.register_principal(base, document, identifier).document["id"]
    open_demo_plant(replace(base, now=clock()))
    crew = Crew(base, clock, persons)
    for line in PLAIN_LINES:
        crew.register_line(line)
    for support in SUPPORTS:
        crew.register(support)
    _proved_line(crew)
    clock.moment = bootstrap.now() - timedelta(hours=5)
    _unready_line(crew)
    clock.moment = bootstrap.now() - timedelta(hours=3)
    _line_in_release(crew)
    clock.moment = bootstrap.now() - timedelta(hours=1)
    _weighed_lines(crew)


def _erect(crew: Crew, line: str, **changes: Any) -> None:
    for support in supports_of(line):
        crew.clock.advance(3)
        crew.inspect(support)
    crew.clock.advance(10)
    crew.inspect_line(line, **changes)


def _release(crew: Crew, supports: list[Support]) -> None:
    for place, support in enumerate(supports):
        crew.clock.advance(10)
        crew.ease(support, 0.5 if place % 2 else -0.25)
        crew.withdraw(support)


def _proved_line(crew: Crew) -> None:
    """MS-10: released cold, proved hot; afterwards one hanger is repositioned and one is on hold."""
    line = "MS-10"
    supports = sprung(line)
    _erect(crew, line)
    crew.clock.advance(30)
    crew.authorise(line)
    _release(crew, supports)
    for support in supports:
        crew.position(support)
    for support in supports:
        crew.confirm(support)
    crew.clock.advance(60 * 72)
    crew.inspect_line(line, contents="operating", line_temperature={"value": 545, "unit": "degC"})
    for support in supports[:-2]:
        crew.prove(support)
    crew.clock.advance(60 * 24)
    crew.step(supports[3], "hold", reason="indicator plate found bent; reading cannot be trusted")
    crew.step(supports[5], "reposition", reason="reading drifts towards its lower end")


def _line_in_release(crew: Crew) -> None:
    """HR-20: a stage is out, one hanger is being eased, the rest is cleared or still locked."""
    line = "HR-20"
    supports = sprung(line)
    _erect(crew, line)
    crew.clock.advance(5)
    crew.authorise(line, [support.mark for support in supports[:8]])
    _release(crew, supports[:3])
    crew.ease(supports[3], 0.5)


def _unready_line(crew: Crew) -> None:
    """FW-30: erected, and not ready for five different reasons."""
    line = "FW-30"
    faults: dict[str, dict[str, Any]] = {
        "FW-30-03": {"pipe_to_support_dimension": {"value": 1874, "unit": "mm"}},
        "FW-30-06": {"stops_counted": 1},
        "FW-30-09": {"rod_slack": True},
    }
    for support in supports_of(line):
        crew.clock.advance(3)
        crew.inspect(support, **faults.get(support.mark, {}))
    crew.inspect_line(line, insulation="incomplete", temporary_supports=2)


def _weighed_lines(crew: Crew) -> None:
    """CR-40: three spans are bare yet. BP-50: its insulation is heavier than its springs were set for."""
    for line in WEIGHED_LINES:
        crew.register_line(line)
        for support in supports_of(line):
            crew.register(support)
        crew.model(line)
    bare = [{"segment": segment, "insulation": 0, "jacketing": 0} for segment in BARE_SEGMENTS]
    _erect(crew, "CR-40", insulation="incomplete", jacketing="incomplete", segments_present=bare)
    _erect(crew, "BP-50", pressure_test="not_required")


def is_served(settings: Settings) -> bool:
    """Whether something listens on the service's address already."""
    host = "127.0.0.1" if settings.host == "0.0.0.0" else settings.host  # noqa: S104
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
        probe.settimeout(1.0)
        return probe.connect_ex((host, settings.port)) == 0
