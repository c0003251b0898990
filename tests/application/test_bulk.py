"""Many records at once: transactions of 500 rows, all or nothing, and what a repetition gives."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from service.application import hangers
from service.application.hangers import BulkRow, bulk_hangers
from service.errors import KeyReused, NotFound, NotPermitted
from tests.application.conftest import SiteAt
from tests.application.plant import ANY, PLANT, hanger_document, line_document
from tests.application.site import Site


def _row(number: int, mark: str, if_revision: int | None = None, **changes: Any) -> BulkRow:
    """A small record: bulk is about rows, not about what stands in them."""
    return BulkRow(number, {"line": "LA", "mark": mark, "kind": "variable", **changes}, if_revision)


def _rows(count: int, **changes: Any) -> list[BulkRow]:
    return [_row(number, f"N-{number:04d}", **changes) for number in range(1, count + 1)]


def _send(site: Site, rows: Any, *, atomic: bool = False, **options: Any) -> list[dict[str, Any]]:
    return list(bulk_hangers(site.context("integrator", **options), PLANT, rows, atomic))


def _statuses(outcomes: list[dict[str, Any]]) -> list[str]:
    return [outcome["status"] for outcome in outcomes]


def test_rows_are_created_revised_or_unchanged_each_for_itself(engine_site_at: SiteAt) -> None:
    site = engine_site_at("registered")
    rows = [
        _row(1, "N-1"),
        _row(2, "N-2", 0),
        _row(3, "A-1", 0),
        _row(4, "N-1", drawing_mark="again"),
        _row(5, "N-2", 7, drawing_mark="x"),
        _row(6, "N-2", 1),
        BulkRow(7, problem={"code": "malformed-request", "detail": "not JSON"}),
        _row(8, "N-3", line="LX"),
        _row(9, "n-1", 2),
    ]
    outcomes = _send(site, rows)
    assert _statuses(outcomes) == [
        "created", "created", "refused", "revised", "refused", "unchanged", "refused", "refused", "refused",
    ]  # fmt: skip
    assert [outcome["line"] for outcome in outcomes] == list(range(1, 10))
    problems = {outcome["line"]: outcome["problem"]["code"] for outcome in outcomes if "problem" in outcome}
    assert problems == {
        3: "precondition-failed", 5: "precondition-failed", 7: "malformed-request", 8: "invalid-document",
        9: "invalid-document",
    }  # fmt: skip
    assert outcomes[3]["revision"] == 2
    assert hangers.get_hanger(site.context("reader"), PLANT, "N-1").revision == 2
    assert site.differences() == []


def test_a_refused_row_leaves_nothing_in_its_transaction(site_at: SiteAt) -> None:
    site = site_at("registered")
    size = site.size()
    outcomes = _send(site, [_row(1, "N-1"), _row(2, "A-1", 9), _row(3, "N-2")])
    assert site.size() == size + 2
    assert [outcome["sequence"] for outcome in outcomes] == [size, None, size + 1]


def test_all_or_nothing_writes_nothing_when_a_row_is_refused(engine_site_at: SiteAt) -> None:
    site = engine_site_at("registered")
    before = site.traces()
    rows = [*_rows(3), _row(4, "A-1", 9)]
    outcomes = _send(site, rows, atomic=True, key="k")
    assert _statuses(outcomes) == ["not_written", "not_written", "not_written", "refused"]
    assert all(outcome["sequence"] is None for outcome in outcomes)
    assert site.traces() == before
    # The key was not used up: the same request may succeed later.
    assert _statuses(_send(site, _rows(3), atomic=True, key="k")) == ["created"] * 3


@pytest.fixture
def small_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Transactions of 20 rows, so that a test need not write hundreds."""
    monkeypatch.setattr(hangers, "ROWS_PER_TRANSACTION", 20)


def test_five_hundred_rows_are_one_transaction(site_at: SiteAt) -> None:
    site = site_at("registered")
    size, seen = site.size(), []
    outcomes = bulk_hangers(site.context("integrator"), PLANT, iter(_rows(501)), False)
    for number, _ in enumerate(outcomes, start=1):
        if number in (1, 500, 501):
            seen.append(site.size() - size)
    assert seen == [500, 500, 501]


@pytest.mark.usefixtures("small_chunks")
def test_a_repetition_gives_the_same_and_writes_nothing(site_at: SiteAt) -> None:
    site = site_at("registered")
    rows = [*_rows(45), _row(46, "A-1", 9)]
    first = _send(site, rows, key="k")
    traces = site.traces()
    assert _send(site, rows, key="k") == first
    assert site.traces() == traces
    with site.refused(KeyReused):
        _send(site, rows, key="k", digest="1" * 64)


@pytest.mark.usefixtures("small_chunks")
def test_after_a_crash_between_transactions_a_repetition_goes_on(site_at: SiteAt) -> None:
    site = site_at("registered")
    size = site.size()

    def broken(rows: list[BulkRow]) -> Iterator[BulkRow]:
        yield from rows[:30]
        raise OSError("the connection broke")

    rows = _rows(50)
    got: list[dict[str, Any]] = []
    with pytest.raises(OSError, match="broke"):
        got.extend(bulk_hangers(site.context("integrator", key="k"), PLANT, broken(rows), False))
    assert (len(got), site.size() - size) == (20, 20)
    outcomes = _send(site, rows, key="k")
    assert outcomes[:20] == got
    assert _statuses(outcomes) == ["created"] * 50
    assert site.size() - size == 50
    assert site.differences() == []


def test_an_error_of_the_service_undoes_the_whole_transaction(
    site_at: SiteAt, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_at("registered")
    before = site.traces()
    real = hangers.record_event

    def failing(*arguments: Any) -> Any:
        if arguments[3] == "N-0003":
            raise RuntimeError("a fault")
        return real(*arguments)

    monkeypatch.setattr(hangers, "record_event", failing)
    with pytest.raises(RuntimeError):
        _send(site, _rows(5), key="k")
    assert site.traces() == before


@pytest.mark.usefixtures("small_chunks")
def test_a_dry_run_judges_each_row_after_those_before_it_and_writes_nothing(site_at: SiteAt) -> None:
    site = site_at("registered")
    before = site.traces()
    rows = [*_rows(30), _row(31, "N-0001", 0), _row(32, "N-0002", 1, drawing_mark="x")]
    outcomes = _send(site, rows, key="k", dry=True)
    assert _statuses(outcomes) == ["created"] * 30 + ["refused", "revised"]
    assert site.traces() == before


def test_rows_that_change_what_safety_rests_on_undo_it(site_at: SiteAt) -> None:
    site = site_at("easing")
    document = hanger_document("A-1", drawing={"number": "D-2"})
    _send(site, [BulkRow(1, document)])
    assert site.states("LA") == {"A-1": "on_hold", "A-2": "locked", "A-3": "locked", "A-4": "locked"}
    registered = site_at("cleared")
    _send(registered, [_row(1, "N-1")])
    assert set(registered.states("LA").values()) == {"locked"}


def test_rows_share_no_external_id(site_at: SiteAt) -> None:
    site = site_at("registered")
    ids = {"external_ids": [{"source": "s", "id": "1"}]}
    outcomes = _send(site, [_row(1, "N-1", **ids), _row(2, "N-2", **ids)])
    assert _statuses(outcomes) == ["created", "refused"]
    assert outcomes[1]["problem"]["code"] == "duplicate-key"


def test_a_narrow_scope_creates_nothing_and_sees_its_own_line_alone(site_at: SiteAt) -> None:
    site = site_at("registered")
    rows = [
        _row(1, "N-1"),
        _row(2, "B-1", line="LB"),
        BulkRow(3, {**hanger_document("A-1"), "line": "LB"}),
        BulkRow(4, {**hanger_document("A-1"), "line": "LX"}),
        BulkRow(5, hanger_document("A-1", drawing_mark="new")),
    ]
    outcomes = _send(site, rows, lines=["LA"])
    assert _statuses(outcomes) == ["refused"] * 4 + ["revised"]
    codes = [outcome["problem"]["code"] for outcome in outcomes[:4]]
    assert codes == ["not-found", "not-found", "invalid-document", "invalid-document"]
    assert outcomes[2]["problem"]["errors"] == outcomes[3]["problem"]["errors"]


def test_bulk_wants_a_role_and_a_plant(site_at: SiteAt) -> None:
    site = site_at("registered")
    with site.refused(NotPermitted):
        bulk_hangers(site.context("fitter"), PLANT, iter([]), False)
    with site.refused(NotFound):
        bulk_hangers(site.context("integrator"), "Works-9", iter([]), False)
    with site.refused(NotFound):
        bulk_hangers(site.context("integrator", plants=["Works-2"]), PLANT, iter([]), False)
    site.put_line("LA", line_document("LA"), ANY)
