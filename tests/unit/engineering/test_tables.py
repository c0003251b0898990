"""The data files of the standards and the loader that verifies them."""

from __future__ import annotations

from importlib import resources

import pytest

from service.engineering.materials import specification_unknown, stress_bases
from service.engineering.tables.loader import REQUIRED_HEAD, TableError, load_table, parse_table
from service.engineering.tables.threads import (
    check_metric,
    check_unified,
    coarse_pitch_mm,
    metric_coarse,
    unified_coarse,
    unified_eight,
    unified_sizes,
)

FILES = sorted(
    entry.name
    for entry in resources.files("service.engineering.tables").iterdir()
    if entry.name.endswith(".csv")
)

HEAD = """# title: Sizes
# source: a book
# edition: first
# table: 1
# units: mm
# status: read
# tolerance: 0.5
# key: size
# rising: size area
# checked-by: test
# date: 2026-11-25
"""


def _rewritten(name: str, old: str, new: str) -> str:
    text = resources.files("service.engineering.tables").joinpath(name).read_text(encoding="utf-8")
    assert old in text
    return text.replace(old, new)


@pytest.mark.parametrize("name", FILES)
def test_every_packaged_table_loads_with_a_full_head(name: str) -> None:
    table = load_table(name)
    assert set(REQUIRED_HEAD) <= set(table.head)
    assert len(table.rows) >= 3


def test_the_tables_of_this_package_are_those_known() -> None:
    assert FILES == [
        "elastic_moduli.csv",
        "expansion_carbon_low_chrome.csv",
        "expansion_chrome_9.csv",
        "metric_coarse.csv",
        "pipe_sizes.csv",
        "rod_stress_bases.csv",
        "unified_coarse.csv",
        "unified_eight.csv",
    ]


def test_a_table_gives_its_rows_by_column() -> None:
    table = parse_table(HEAD + "\nsize,area,word\n1,2.5,one\n\n2,,two\n", "sizes")
    assert [dict(row) for row in table.rows] == [
        {"size": "1", "area": "2.5", "word": "one"},
        {"size": "2", "area": "", "word": "two"},
    ]
    assert table.numbers(table.rows[0]) == {"size": 1.0, "area": 2.5}
    assert table.numbers(table.rows[1]) == {"size": 2.0}


@pytest.mark.parametrize("entry", REQUIRED_HEAD)
def test_a_table_without_an_entry_of_its_head_is_refused(entry: str) -> None:
    head = "".join(line + "\n" for line in HEAD.splitlines() if not line.startswith(f"# {entry}:"))
    with pytest.raises(TableError, match=entry):
        parse_table(head + "size,area\n1,2\n2,3\n", "sizes")


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("size,area\n", "no rows"),
        ("size,area\n1,2\n1,3\n", "twice"),
        ("size,area\n1,2\n2,2\n", "does not rise"),
        ("size,area\n2,1\n1,2\n", "does not rise"),
        ("size,area\n1,2,3\n", "cells"),
    ],
)
def test_a_table_that_breaks_its_head_is_refused(body: str, why: str) -> None:
    with pytest.raises(TableError, match=why):
        parse_table(HEAD + body, "sizes")


@pytest.mark.parametrize(
    ("old", "new"), [(",0.3345,0.3020,", ",0.3345,0.3021,"), (",0.3345,0.3020,", ",0.3344,0.3020,")]
)
def test_an_inch_area_that_is_not_the_formulas_is_refused(old: str, new: str) -> None:
    table = parse_table(_rewritten("unified_coarse.csv", old, new), "unified")
    with pytest.raises(TableError, match="formula"):
        check_unified(table, "unified")


@pytest.mark.parametrize(
    ("old", "new"), [("24,3,353,324.3,", "24,3,352,324.3,"), ("24,3,353,324.3,", "24,3,353,324.4,")]
)
def test_a_metric_area_that_is_not_the_formulas_is_refused(old: str, new: str) -> None:
    table = parse_table(_rewritten("metric_coarse.csv", old, new), "metric")
    with pytest.raises(TableError, match="formula"):
        check_metric(table, "metric")


def test_the_tables_hold_every_size_of_their_source() -> None:
    assert len(unified_coarse().rows) == 18
    assert len(unified_eight().rows) == 4
    assert len(metric_coarse().rows) == 26


def test_a_size_is_looked_up_by_its_diameter() -> None:
    assert unified_sizes("UNC")[0.75] == 10.0
    assert unified_sizes("UN")[1.25] == 8.0
    assert coarse_pitch_mm(24.0) == 3.0
    assert coarse_pitch_mm(25.0) is None


def test_the_stress_bases_are_those_of_their_sources() -> None:
    psi = 6894.757293168
    found = {
        name: (basis.stress_pa, basis.case, basis.threads_reduced) for name, basis in stress_bases().items()
    }
    assert found == {
        "handbook-table": (pytest.approx(9000 * psi), "operation", True),
        "later-support-standard": (pytest.approx(10700 * psi), "operation", True),
        "unknown-steel": (pytest.approx(9500 * psi), "operation", False),
        "unknown-steel-test": (pytest.approx(16000 * psi), "test", True),
    }
    assert {basis.standing for basis in stress_bases().values()} == {"standard", "memory"}


@pytest.mark.parametrize(
    ("material", "unknown"),
    [("unknown", True), (" Unknown ", True), ("not known", True), ("ASTM A36", False), (None, False)],
)
def test_a_material_says_whether_its_specification_is_unknown(material: str | None, unknown: bool) -> None:
    assert specification_unknown(material) is unknown
