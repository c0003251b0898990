"""Errors as documents: what is not known is left out, what is known is there under its name."""

from __future__ import annotations

from service import errors
from service.errors import Finding, Lack


def test_a_finding_tells_place_rule_and_detail_and_leaves_out_what_it_has_not() -> None:
    assert Finding("header", "form", "not of its form").as_document() == {
        "in": "header",
        "rule": "form",
        "detail": "not of its form",
    }


def test_a_finding_tells_pointer_name_and_what_is_accepted() -> None:
    assert Finding("body", "enum", "unknown", "/kind", "kind", ["rigid"]).as_document() == {
        "in": "body",
        "rule": "enum",
        "detail": "unknown",
        "pointer": "/kind",
        "name": "kind",
        "accepted": ["rigid"],
    }


def test_an_empty_pointer_is_the_whole_body_and_is_told() -> None:
    assert Finding("body", "object", "no object", "").as_document()["pointer"] == ""


def test_an_error_keeps_its_findings_and_facts() -> None:
    finding = Finding("query", "form", "not of its form", name="limit")
    error = errors.InvalidParameter("limit is no number.", errors=[finding], given="x")
    assert (str(error), error.detail, error.errors) == (error.detail, "limit is no number.", (finding,))
    assert error.facts == {"given": "x"}


def test_a_lack_tells_what_shows_it_even_when_nothing_does() -> None:
    lack = Lack("stop-not-in", "Stop 2 has to be in.", "hanger/A/assembly/1", "in")
    assert lack.as_document() == {
        "code": "stop-not-in",
        "detail": "Stop 2 has to be in.",
        "subject": "hanger/A/assembly/1",
        "expected": "in",
        "known": None,
        "shown_by": None,
    }
