"""What the log knows of a line as it stands, beside its model."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.line_models.known import known_line
from tests.unit.domain.release.support import Site, instant, spring

MODEL: dict[str, Any] = {
    "segments": [{"id": "S1", "insulation": "I"}, {"id": "S2", "insulation": "I"}, {"id": "S3"}],
    "masses": [{"id": "Valve"}],
}
FULL = {"insulation": 1.0, "jacketing": 1.0}


def known(site: Site, model: dict[str, Any] = MODEL) -> Any:
    return known_line(site.line(), model)


def test_what_was_not_inspected_is_left_out() -> None:
    found = known(Site(A=spring()))
    assert found.present == {"segments": {"s1": {}, "s2": {}}, "masses": {}}


def test_a_part_goes_before_the_whole_unless_the_whole_was_seen_later() -> None:
    site = Site(A=spring())
    site.inspect_line(insulation="complete", jacketing="complete", contents="empty", at=instant(10))
    site.inspect_line(segments_present=[{"segment": "S2", "insulation": 0.25}], at=instant(20))
    found = known(site)
    assert found.present["segments"] == {"s1": FULL, "s2": {"insulation": 0.25, "jacketing": 1.0}}
    assert found.present["contents"] == "empty"
    site.inspect_line(insulation="incomplete", at=instant(30))
    assert known(site).present["segments"]["s2"] == {"insulation": 0.25, "jacketing": 1.0}
    assert known(site).present["segments"]["s1"] == {"jacketing": 1.0}
    site.inspect_line(insulation="none", at=instant(40))
    assert known(site).present["segments"]["s2"]["insulation"] == 0.0


def test_masses_are_known_by_inspection_alone() -> None:
    site = Site(A=spring())
    site.inspect_line(masses_present=[{"mass": "VALVE", "share": 0}])
    assert known(site).present["masses"] == {"valve": 0.0}


@pytest.mark.parametrize("turns", [[0.5], [0.5, -0.75]])
def test_net_turns_are_those_of_the_ledger(turns: list[float]) -> None:
    site = Site(A=spring(), B=spring())
    for turned in turns:
        site.turn("A", turns=turned)
    found = known(site)
    assert found.net_turns == {"a": pytest.approx(sum(turns)), "b": 0.0}
    assert found.released == frozenset()


def test_a_model_written_after_the_inspection_that_states_less_is_believed() -> None:
    site = Site(A=spring())
    site.inspect_line(insulation="complete", jacketing="complete", contents="empty")
    site.inspect_line(masses_present=[{"mass": "Valve", "share": 1}])
    model = {
        **MODEL,
        "present": {
            "segments": [{"segment": "S1", "insulation": 0.25}, {"segment": "S2", "insulation": 1}],
            "masses": [{"mass": "valve", "share": 0.5}],
        },
    }
    before = known_line(site.line(), model, 0).present
    assert (before["segments"]["s1"]["insulation"], before["masses"]["valve"]) == (0.25, 1.0)
    after = known_line(site.line(), model, 7).present
    assert after["segments"] == {"s1": {"insulation": 0.25, "jacketing": 1.0}, "s2": FULL}
    assert after["masses"] == {"valve": 0.5}
    site.inspect_line(insulation="none")
    assert known_line(site.line(), model, 7).present["segments"]["s2"]["insulation"] == 0.0
    never = known_line(site.line(), model).present
    assert never["segments"]["s1"] == {"insulation": 0.0, "jacketing": 1.0}
    assert never["masses"] == {"valve": 1.0}
