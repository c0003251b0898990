"""Every check of the frame against another source, in the order in which a table shows them."""

from __future__ import annotations

from collections.abc import Callable

from tests.lines import beam_checks, bend_checks, package_checks, property_checks
from tests.lines.comparison import Comparison

CHECKS: tuple[Callable[[], Comparison | None], ...] = (
    *beam_checks.CHECKS,
    *bend_checks.CHECKS,
    package_checks.pynite,
    package_checks.opensees,
    *property_checks.CHECKS,
)
