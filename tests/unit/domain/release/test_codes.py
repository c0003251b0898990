"""The published list of lacks: each code that a guard uses is on it, and each on it is used."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from service.domain.release import codes, situation

FOLDER = Path(codes.__file__).parent


def used() -> set[str]:
    """Codes by the source's text: the first argument of every call that makes a lack."""
    found = set()
    for path in FOLDER.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not node.args or not isinstance(node.args[0], ast.Constant):
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in ("lack", "make_lack"):
                found.add(str(node.args[0].value))
    return found


def test_the_list_holds_what_the_guards_use_and_nothing_else() -> None:
    assert used() == set(codes.LACK_CODES)


def test_each_code_has_a_meaning_in_one_sentence() -> None:
    for code, meaning in codes.LACK_CODES.items():
        assert code == code.lower().strip()
        assert meaning.endswith(".")
        assert len(meaning) < 110


def test_a_lack_that_is_not_published_cannot_be_made() -> None:
    with pytest.raises(KeyError):
        situation.make_lack("invented", "x", "hanger/A")
