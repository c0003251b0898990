"""What a check of the frame against another source found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.engineering.frames.elements import Array


@dataclass(frozen=True)
class Comparison:
    """One check: what is compared with which source, and by how much they differ at most."""

    check: str
    source: str
    compared: str
    difference: float
    tolerance: float

    @property
    def kept(self) -> bool:
        """Whether the difference is within the tolerance; one that is no number is not."""
        return self.difference <= self.tolerance


def difference(found: Array, expected: Array | float) -> float:
    """Largest difference over the largest expected."""
    return float(np.abs(found - expected).max() / np.abs(expected).max())
