"""The demonstration: an invented plant filled by the service's own use cases."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from service.application.context import Context
from service.demo import fill
from service.demo.tour import stops
from service.domain import readiness
from service.domain.access import ROLES, Principal
from service.domain.criteria import Criteria
from service.domain.ports import HangerFilter
from service.errors import Conflict
from service.persistence.migrate import migrate
from service.persistence.rebuild import rebuild
from service.persistence.store import open_store
from tests.application.site import START, copied, settings_of


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("demo")
    migrate(settings_of(made))
    fill(settings_of(made))
    return made


def test_the_invented_plant_holds_hangers_of_every_kind_and_state(folder: Path) -> None:
    store = open_store(settings_of(folder))
    with store.read("demo") as reader:
        rows = reader.hangers(HangerFilter(), "", 100)
    assert 46 <= len(rows) <= 54
    assert {row.line for row in rows} == {"MS-10", "HR-20", "FW-30", "CR-40", "BP-50"}
    assert {row.kind for row in rows} == {"variable", "constant", "rigid"}
    # `cleared` and `released` last until the next step; every state with somebody's work in it is shown.
    assert set(Counter(row.state for row in rows)) == {
        "locked", "cleared", "easing", "stops_out", "positioning", "released", "proved", "on_hold",
    }  # fmt: skip


def test_one_line_is_not_ready_for_five_different_reasons(folder: Path) -> None:
    store = open_store(settings_of(folder))
    with store.read("demo") as reader:
        line = reader.line_view("FW-30")
        assert line is not None
        found = readiness.blockers(line, "release", Criteria.from_document(None), at=START)
    # Five faults; the stop that was not counted is one that nobody has shown to be in, too.
    assert sorted((lack.code, lack.subject) for lack in found) == [
        ("dimension-not-as-drawn", "hanger/FW-30-03/assembly/1"),
        ("insulation-incomplete", "line/FW-30"),
        ("rod-slack", "hanger/FW-30-09/assembly/1"),
        ("stop-count-not-as-drawn", "hanger/FW-30-06/assembly/1"),
        ("stop-not-in", "hanger/FW-30-06/assembly/1"),
        ("temporary-supports-on", "line/FW-30"),
    ]


def test_its_projections_follow_from_its_log(folder: Path) -> None:
    assert rebuild(settings_of(folder), write=False) == []


def test_filling_again_prints_new_tokens_and_writes_no_act(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = open_store(settings_of(folder))
    with store.read("demo") as reader:
        before = reader.size
    fill(settings_of(folder))
    with store.read("demo") as reader:
        assert reader.size == before
    printed = capsys.readouterr().out
    for role in ROLES:
        assert f"export {role.upper()}=" in printed
    assert printed.count("curl -s") == len(stops(START))


def test_it_refuses_where_another_plant_exists(tmp_path: Path) -> None:
    site = copied("registered", tmp_path / "data")
    with site.refused(Conflict) as refusal:
        fill(settings_of(tmp_path / "data"))
    assert refusal.error.facts["plants"] == ["Works-1"]
    site.store.close()


def test_each_role_of_the_tour_may_do_what_it_is_sent_to_do(folder: Path) -> None:
    for stop in stops(START):
        principal = Principal("pr_x", "person", stop.role, "tk_x")
        acts = {"GET": "read_log" if "/events" in stop.path else "read", "POST": "record_acts"}
        wanted = "read" if stop.path.endswith("nut-plan") else acts[stop.method]
        assert Context(open_store(settings_of(folder)), START, str, principal, "rq").principal.may(wanted)
