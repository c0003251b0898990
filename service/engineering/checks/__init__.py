"""The checks as pure functions of SI floats: found value, limit, verdict.

What a check needs and where it comes from is the business of `service.domain.checks`; here is only the
reckoning. Up is positive, movement is from cold to hot.
"""

from service.engineering.checks.design import (
    agreement,
    constant_deviation,
    engagement,
    lengths_agree,
    rod_load,
    rod_swing,
    total_travel,
    travel_reserve,
    variability_of_spring,
    working_range,
)
from service.engineering.checks.site import (
    dimension_as_drawn,
    elevation,
    load_off_expected,
    position_off_expected,
    rod_off_drawn,
    travel_direction,
    travel_ratio,
)
from service.engineering.checks.verdicts import Status, Verdict, between, lower, upper, worse

__all__ = [
    "Status",
    "Verdict",
    "agreement",
    "between",
    "constant_deviation",
    "dimension_as_drawn",
    "elevation",
    "engagement",
    "lengths_agree",
    "load_off_expected",
    "lower",
    "position_off_expected",
    "rod_load",
    "rod_off_drawn",
    "rod_swing",
    "total_travel",
    "travel_direction",
    "travel_ratio",
    "travel_reserve",
    "upper",
    "variability_of_spring",
    "working_range",
    "worse",
]
