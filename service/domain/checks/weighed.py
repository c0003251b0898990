"""Whether the line was weighed: what its balance says, or why it says nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from service.domain.balance.weighing import MissingWeight, Weighing


@dataclass(frozen=True)
class NotWeighed:
    """A line that has a model which tells nothing.

    Attributes:
        reason: a sentence: the model cannot be solved, or the records lack what it needs
        missing: by mark of the hanger, pointers into its record of what is not stated
        model_revision, model_sequence: of the line model
    """

    reason: str
    missing: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    model_revision: int | None = None
    model_sequence: int | None = None


Weighed = Weighing | NotWeighed


def weighed_by(weighing: Weighed) -> tuple[str, list[str | int]]:
    """The source to name for what the balance says, and the inputs to list: the model and its event."""
    if weighing.model_revision is None:
        return "balance of the posted line model", ["line-model"]
    used: list[str | int] = [f"line-model/{weighing.model_revision}"]
    if weighing.model_sequence is not None:
        used.append(weighing.model_sequence)
    return f"balance of line model revision {weighing.model_revision}", used


_NAMED: Final = 3


def _listed(names: Sequence[str]) -> str:
    """Names in words, the first three of more."""
    more = len(names) - _NAMED
    shown = [*names[:_NAMED], f"{more} more"] if more > 0 else list(names)
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"


def lacking(weights: Sequence[MissingWeight]) -> str:
    """What is not on the line and what it weighs, in words; empty where nothing is missing.

    Args:
        weights: parts that are not wholly on, greatest first; weights in N

    Returns:
        as `S3 lacks insulation: 3.1 kN light` or `S4, S5 and S6 lack insulation and jacketing: 9.7 kN light`;
        of more than three segments or masses that lack the same the first three are named
    """
    if not weights:
        return ""
    parts: dict[str, list[str]] = {}
    for weight in weights:
        parts.setdefault(weight.owner, []).append(weight.part)
    alike: dict[tuple[str, ...], list[str]] = {}
    for owner, names in parts.items():
        alike.setdefault(tuple(names), []).append(owner)
    said = [
        f"{_listed(owners)} {'lacks' if len(owners) == 1 else 'lack'} {_listed(names)}"
        for names, owners in alike.items()
    ]
    total_kn = sum(weight.weight_n for weight in weights) / 1000.0
    return f"{', '.join(said)}: {total_kn:.1f} kN light"
