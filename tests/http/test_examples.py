"""The examples in openapi.yaml are what the service really answers: the story is told again and compared."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from service.http.documents import Document
from service.http.examples import FILE, steps
from tests.http.record_examples import recorded
from tests.http.story import play, story

# What chance makes, or follows from it: ids and digests. Everything else is compared as it stands.
_CHANCE = re.compile(
    r"(?:[0-9a-f]{64}|[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}|(?:pr|tk|wh)_[0-9a-z]{26})"
)
# In the text of a checkpoint or receipt, and in proofs: a log's id, hashes, keys and signatures.
_CHANCE_WORDS = re.compile(r"[0-9a-f]{32}|(?<![A-Za-z0-9+/])[A-Za-z0-9+/]{40,}={0,2}|\+[0-9a-f]{8}\+")
_CHANCE_KEYS = frozenset({"log_id", "token", "secret", "key_id", "next", "Link", "Location"})


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    return [recorded(*each) for each in play(tmp_path_factory.mktemp("story"))]


def without_chance(value: Any, key: str = "") -> Any:
    if isinstance(value, dict):
        return {name: without_chance(item, name) for name, item in value.items()}
    if isinstance(value, list):
        return [without_chance(item, key) for item in value]
    if isinstance(value, float):
        # Solved figures differ in their last digits from one processor to the next.
        return 0.0 if abs(value) < 1e-6 else float(f"{value:.7g}")
    if isinstance(value, str) and (key in _CHANCE_KEYS or _CHANCE.fullmatch(value)):
        return f"<{key}>"
    return _CHANCE_WORDS.sub("<chance>", value) if isinstance(value, str) else value


def test_every_step_of_the_story_is_recorded(told: list[dict[str, Any]]) -> None:
    assert len(steps()) == len(told) == len(story())


def test_every_example_is_really_returned(told: list[dict[str, Any]]) -> None:
    for kept, now in zip(steps(), told, strict=True):
        assert without_chance(now) == without_chance(kept), kept["name"]


def test_the_story_ends_where_it_should(told: list[dict[str, Any]]) -> None:
    # By hand: the states that the hanger goes through, and how each request of the story must end.
    states = [
        (step["answer"]["body"]["state"], step["name"])
        for step in told
        if step["answer"]["status"] == 201 and step["operation"] in ("authoriseLine", "makeTransition")
    ]
    assert [state for state, _ in states] == [
        "cleared",
        "easing",
        "stops_out",
        "positioning",
        "released",
        "released",
    ]
    refused = {
        step["name"]: step["answer"]["body"]["code"] for step in told if step["answer"]["status"] >= 400
    }
    assert refused == {
        "another_role": "not-permitted",
        "a_mass_for_a_force": "mass-for-force",
        "a_stale_entity_tag": "precondition-failed",
        "no_precondition": "precondition-required",
        "all_or_nothing": "invalid-document",
        "no_token": "not-authenticated",
        "an_unknown_system_of_units": "invalid-parameter",
        "a_hanger_that_there_is_not": "not-found",
        "a_form_that_is_not_offered": "not-acceptable",
        "duplicate_keys": "malformed-request",
        "XML": "unsupported-media-type",
        "not_ready": "not-ready",
        "a_time_to_come": "future-time",
        "a_blocker_that_does_not_stand": "not-concedable",
        "out_of_order": "out-of-order",
        "another_body": "idempotency-key-reused",
        "a_correction_of_nothing": "invalid-document",
        "a_retired_hanger": "retired",
        "beyond_the_end": "invalid-parameter",
        "a_reader": "not-permitted",
        "an_event_to_come": "not-found",
        "a_target_that_points_inward": "invalid-document",
        "a_line_without_a_model": "not-found",
        "a_piece_that_hangs_together_with_nothing": "invalid-document",
        "a_name_that_there_is_not": "conflict",
        "a_token_that_has_ended": "conflict",
    }


def test_no_token_of_the_story_stands_in_the_file() -> None:
    text = FILE.read_text(encoding="utf-8")
    shown = [step["answer"]["body"]["token"] for step in steps() if step["operation"] == "issueToken"]
    assert len(shown) == 1
    assert "not-used-by-anyone-here" not in text
    assert "Bearer" not in json.dumps([step.get("headers") for step in steps()])


def test_every_problem_of_the_story_is_as_its_schema_says(told: list[dict[str, Any]]) -> None:
    for step in told:
        if step["answer"]["status"] >= 400:
            Document("problem").validate(step["answer"]["body"])
