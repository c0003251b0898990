"""Whether a line model, cold as designed, has the weight on and in it that the line's record says.

The springs were set for the weight basis of the record. A reading expected from another weight would have the
crew turn the line to a wrong position.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.domain.line_models.built import BuiltLine, WeighedItem

_ALIKE: Final = 0.02  # share by which two weights of contents may differ and be the same contents
_FULL: Final = 0.85  # water cold, hot or under pressure: never lighter beside the heaviest than this


def basis_differs(record: Mapping[str, Any] | None, built: BuiltLine) -> str | None:
    """How the case `cold` of a line differs from the weight basis of its record, in words.

    Args:
        record: the line's record; None where it has none
        built: the line

    Returns:
        a sentence; None where both agree, or the record states no basis
    """
    basis: Mapping[str, str] = (record or {}).get("weight_basis", {})
    contents = basis.get("contents")
    if contents is not None and any(
        item.part == "contents" and _differs(contents, item) for item in built.items
    ):
        return f"The springs were set for contents `{contents}`; the model's `cold` contents are others."
    if basis.get("insulation") == "none" and any(
        item.part in ("insulation", "jacketing") and item.weight_n["cold"] > 0.0 for item in built.items
    ):
        return "The springs were set for a line without insulation; the model's cold line has its insulation."
    return None


def _differs(contents: str, item: WeighedItem) -> bool:
    cold, hot = item.weight_n["cold"], item.weight_n["hot"]
    if contents == "empty":
        return cold > 0.0
    if contents == "operating":
        return abs(cold - hot) > _ALIKE * max(cold, hot)
    return cold < _FULL * max(item.weight_n.values())
