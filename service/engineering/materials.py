"""Stress bases of hanger rods: which allowable tension stands on which source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from service.engineering.tables.loader import load_table
from service.units import Dimension, to_si

# Words with which a record says that the steel's specification is not known.
_UNKNOWN_WORDS = frozenset({"unknown", "unidentified", "not known", "unknown steel", "n/a", "-", "?"})


@dataclass(frozen=True)
class StressBasis:
    """One basis. stress_pa: tension [Pa]. case: operation or test. threads_reduced: whether the reduction
    for threads is in it. standing: `standard` where the text was read, `memory` where it is recalled.
    """

    name: str
    stress_pa: float
    case: str
    threads_reduced: bool
    standing: str
    reference: str


@cache
def stress_bases() -> Mapping[str, StressBasis]:
    """The stress bases that the service carries, by name."""
    return MappingProxyType(
        {
            row["basis"]: StressBasis(
                name=row["basis"],
                stress_pa=to_si(float(row["stress_psi"]), "psi", Dimension.STRESS),
                case=row["case"],
                threads_reduced=row["threads_reduced"] == "yes",
                standing=row["standing"],
                reference=row["reference"],
            )
            for row in load_table("rod_stress_bases.csv").rows
        }
    )


def specification_unknown(material: str | None) -> bool:
    """Whether a material's text says that the specification is not known.

    A record without a material says nothing either way: False.
    """
    return material is not None and material.strip().casefold() in _UNKNOWN_WORDS
