"""The table of rules: every check of one hanger, in the order in which it is listed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from service.domain.checks.rules_balance import BALANCE
from service.domain.checks.rules_design import DESIGN
from service.domain.checks.rules_site import ERECTED, READ
from service.domain.checks.table import Rule

RULES: Final[tuple[Rule, ...]] = DESIGN + ERECTED + READ + BALANCE
BY_CODE: Final[Mapping[str, Rule]] = {rule.code: rule for rule in RULES}
