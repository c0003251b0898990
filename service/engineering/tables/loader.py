"""Reads a packaged table, and refuses one that breaks its own head.

A table is a text file: a head of `# name: text` lines, then one line of column names, then rows of
comma-separated cells; an empty cell is a value that the source does not give. The head names the
source, the edition, the page or table, the units, who checked it and when, the key column, and the
columns that rise from row to row. `load_table` verifies all of that each time, so that a slip of the
hand in a data file cannot load.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from itertools import pairwise

REQUIRED_HEAD = (
    "title",
    "source",
    "edition",
    "table",
    "units",
    "status",
    "key",
    "rising",
    "checked-by",
    "date",
)


class TableError(ValueError):
    """A packaged table breaks its own head; the service must not start with it."""


@dataclass(frozen=True)
class Table:
    """A verified table: its head, and its rows as text by column name."""

    head: Mapping[str, str]
    rows: tuple[Mapping[str, str], ...]

    def numbers(self, row: Mapping[str, str]) -> Mapping[str, float]:
        """The cells of a row that are numbers, by column; empty cells and words are left out."""
        found: dict[str, float] = {}
        for name, cell in row.items():
            try:
                found[name] = float(cell)
            except ValueError:
                continue
        return found


def parse_table(text: str, name: str) -> Table:
    """A table from its text.

    Args:
        text: the whole file
        name: the file's name, for the error

    Raises:
        TableError: the head lacks an entry; a row has not the columns; a key comes twice; a column
            that should rise does not
    """
    head: dict[str, str] = {}
    body: list[str] = []
    for line in text.splitlines():
        if line.startswith("# ") and not body:
            entry, _, value = line[2:].partition(": ")
            head[entry] = value
        elif line:
            body.append(line)
    missing = [entry for entry in REQUIRED_HEAD if not head.get(entry)]
    if missing:
        raise TableError(f"{name}: the head lacks {', '.join(missing)}")
    if len(body) < 2:
        raise TableError(f"{name}: no rows")
    columns = body[0].split(",")
    rows: list[dict[str, str]] = []
    for line in body[1:]:
        cells = line.split(",")
        if len(cells) != len(columns):
            raise TableError(f"{name}: {line!r} has {len(cells)} cells, {len(columns)} wanted")
        rows.append(dict(zip(columns, cells, strict=True)))
    _verify(head, rows, name)
    return Table(head=head, rows=tuple(rows))


def _verify(head: Mapping[str, str], rows: list[dict[str, str]], name: str) -> None:
    """No key twice, and every rising column rises over the rows that give it."""
    keys = [row[head["key"]] for row in rows]
    if len(set(keys)) != len(keys):
        raise TableError(f"{name}: a key comes twice")
    for column in head["rising"].split():
        values = [float(row[column]) for row in rows if row[column]]
        if any(later <= earlier for earlier, later in pairwise(values)):
            raise TableError(f"{name}: {column} does not rise from row to row")


def load_table(name: str) -> Table:
    """A packaged table by its file name, verified; errors as `parse_table`."""
    text = resources.files("service.engineering.tables").joinpath(name).read_text(encoding="utf-8")
    return parse_table(text, name)
