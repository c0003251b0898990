"""Weighings that are kept: bounded in number and in size, never in the way of an act."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.application import weighings
from service.domain.checks.weighed import NotWeighed
from tests.http.running import LINE, PLANT, Running
from tests.lines.models import five_hanger_model, five_hanger_records

MODEL = "/v1/plants/P/lines/L-1/model"


def stored(folder: Path) -> Running:
    """Plant P with the straight line of five hangers and its model."""
    running = Running(folder)
    assert running.caller("administrator").put("/v1/plants/P", PLANT).status_code == 201
    engineer = running.caller("engineer")
    assert engineer.put("/v1/plants/P/lines/L-1", LINE).status_code == 201
    for mark, record in five_hanger_records().items():
        assert engineer.put(f"/v1/plants/P/hangers/{mark}", record).status_code == 201
    assert engineer.put(MODEL, five_hanger_model()).status_code == 201
    return running


def test_large_lines_take_the_room_of_many_small_ones() -> None:
    kept = weighings._Kept(size=3, room=100)
    for name in (b"a", b"b", b"c"):
        kept.put(name, name, 10)
    kept.put(b"large", "large", 95)
    assert [kept.get(name) for name in (b"a", b"b", b"c", b"large")] == [None, None, None, "large"]
    kept.put(b"larger", "larger", 500)
    assert (kept.get(b"large"), kept.get(b"larger")) == (None, "larger")
    for name in (b"a", b"b", b"c", b"d"):
        kept.put(name, name, 10)
        kept.put(name, name, 10)
    assert [kept.get(name) for name in (b"larger", b"a", b"b", b"c", b"d")] == [None, None, b"b", b"c", b"d"]


@pytest.mark.parametrize("fault", [ValueError("no"), ZeroDivisionError("no")])
def test_a_line_that_cannot_be_reckoned_keeps_nobody_from_a_hold(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: Exception
) -> None:
    def fails(*_: Any, **__: Any) -> None:
        raise fault

    monkeypatch.setattr(weighings, "weigh", fails)
    monkeypatch.setattr(weighings, "_WEIGHINGS", weighings._Kept(4))
    running = stored(tmp_path)
    engineer = running.caller("engineer")
    act = {"occurred_at": "2026-05-04T06:00:00Z", "transition": "hold", "reason": "look"}
    answer = engineer.post("/v1/plants/P/hangers/H1/transitions", act)
    assert answer.status_code == 201
    found = engineer.get("/v1/plants/P/lines/L-1/readiness?for=release").json["blockers"]
    assert [entry["kind"] for entry in found if entry["code"] == "line-not-weighed"] == ["unknown"]
    with running.store.read("P") as reader:
        view = reader.line_view("L-1")
        assert view is not None
        assert isinstance(weighings.weighing_of(reader, view), NotWeighed)
    running.close()


def test_the_weight_basis_of_the_line_is_part_of_what_a_weighing_rests_on(tmp_path: Path) -> None:
    running = stored(tmp_path)
    engineer = running.caller("engineer")

    def expected() -> set[bool]:
        with running.store.read("P") as reader:
            view = reader.line_view("L-1")
            assert view is not None
            found = weighings.weighing_of(reader, view)
        assert found is not None
        assert not isinstance(found, NotWeighed)
        return {hanger.expected_released_cold_m is None for hanger in found.hangers.values()}

    assert expected() == {False}
    basis = {"weight_basis": {"contents": "empty", "insulation": "none"}}
    assert engineer.revise("/v1/plants/P/lines/L-1", {**LINE, **basis}).status_code == 200
    assert expected() == {True}
    running.close()
