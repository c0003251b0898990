"""What the schema accepts loads, and what the service returns is valid: over generated hanger records."""

from __future__ import annotations

import itertools
import json
from typing import Any

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.units import quantity_to_si
from service.units.door import dimension_of
from tests.docs.test_schemas import independent
from tests.http.running import Caller, Running
from tests.unit.domain.checks_generated import hanger_records

RECORD = independent("hanger-record.schema.json")
NUMBERS = itertools.count()
JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.text("abc é\n", max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text("xyz", max_size=3), inner, max_size=3)
    ),
    max_leaves=6,
)


def own(record: dict[str, Any], extensions: dict[str, Any] | None) -> dict[str, Any]:
    """The record under a mark of its own, on the small plant's line, without ids that others hold."""
    own = {**record, "mark": f"G-{next(NUMBERS)}", "line": "L-1"}
    own.pop("plant", None)
    own.pop("external_ids", None)
    return own if extensions is None else {**own, "extensions": extensions}


def quantities(value: Any) -> list[tuple[float, str]]:
    """Every quantity of a document, in order, with its unit."""
    if isinstance(value, dict):
        if value.keys() == {"value", "unit"}:
            return [(value["value"], value["unit"])]
        return [found for key in sorted(value) if key != "extensions" for found in quantities(value[key])]
    if isinstance(value, list):
        return [found for item in value for found in quantities(item)]
    return []


def si(found: tuple[float, str]) -> float:
    value, unit = found
    return quantity_to_si({"value": value, "unit": unit}, dimension_of(unit))


def get(caller: Caller, mark: str, query: str = "") -> dict[str, Any]:
    response = caller.get(f"/v1/plants/P/hangers/{mark}{query}")
    assert response.status_code == 200, response.data
    document: dict[str, Any] = response.json
    return document


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@given(
    record=hanger_records(),
    extensions=st.none() | st.dictionaries(st.text("ab", max_size=4), JSON, max_size=4),
)
def test_what_the_schema_accepts_loads_and_what_comes_back_is_valid(
    shared: Running, record: dict[str, Any], extensions: dict[str, Any] | None
) -> None:
    document = own(record, extensions)
    assume(RECORD.is_valid(document))  # lists of equal items are drawn too
    engineer = shared.caller("engineer")
    path = f"/v1/plants/P/hangers/{document['mark']}"
    response = engineer.put(path, document)
    assert response.status_code == 201, response.data
    assert get(engineer, document["mark"]) == json.loads(json.dumps(document))
    for system in ("si", "us"):
        converted = get(engineer, document["mark"], f"?units={system}")
        assert [error.message for error in RECORD.iter_errors(converted)] == []
        assert converted.get("extensions") == document.get("extensions")
        for given_as, now in zip(quantities(document), quantities(converted), strict=True):
            assert abs(si(given_as) - si(now)) <= 1e-9 * max(abs(si(given_as)), abs(si(now)), 1e-9)
    assert engineer.get(f"{path}/checks").status_code == 200
    assert engineer.get(f"{path}/release").status_code == 200
