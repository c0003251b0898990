"""The frame against other sources: what is compared, and by how much they differ at most.

    PYTHONPATH=. python benchmarks/cross_checks.py

Prints one row a check and ends with 1 where a difference exceeds its tolerance. A check whose other package
is not installed is counted as left out.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

from tests.lines.comparison import Comparison
from tests.lines.frame_checks import CHECKS

HEADER = ("check", "source", "what is compared", "difference", "tolerance", "")


def cells(found: Comparison) -> tuple[str, ...]:
    """A check's row; a miss is marked."""
    figures = f"{found.difference:.1e}", f"{found.tolerance:.0e}"
    return (found.check, found.source, found.compared, *figures, "" if found.kept else "MISSED")


def table(rows: Sequence[tuple[str, ...]]) -> str:
    """Rows with their columns aligned."""
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    )


def main() -> int:
    """Prints the table. Returns 1 where a check is missed, else 0."""
    results = [check() for check in CHECKS]
    found = [result for result in results if result is not None]
    print(table([HEADER, *(cells(each) for each in found)]))
    missed = sum(not each.kept for each in found)
    left_out = len(results) - len(found)
    print(f"\n{len(found)} checks, {missed} missed; {left_out} left out because a package is not installed.")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
