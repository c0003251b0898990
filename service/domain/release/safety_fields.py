"""Fields on which an authorisation rests: which they are, and what their change undoes.

A schema marks them with `"x-safety": true`. A marked object or list counts as a whole.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

_MISSING: Final = object()

# Release state -> step that the service takes when a safety field of the hanger's record changed.
_EFFECT: Final[Mapping[str, str]] = {
    "cleared": "lapse",
    "easing": "hold",
    "stops_out": "hold",
    "positioning": "hold",
    "released": "hold",
    "proved": "hold",
}


def safety_pointers(schema: Mapping[str, Any]) -> tuple[str, ...]:
    """JSON pointers of the marked fields of a record, as a schema states them."""
    return tuple(_marked(schema, ""))


def _marked(schema: Mapping[str, Any], pointer: str) -> Iterator[str]:
    for name, part in schema.get("properties", {}).items():
        here = f"{pointer}/{name.replace('~', '~0').replace('/', '~1')}"
        if part.get("x-safety"):
            yield here
        else:
            yield from _marked(part, here)


def changed_safety_fields(
    old: Mapping[str, Any], new: Mapping[str, Any], schema: Mapping[str, Any]
) -> tuple[str, ...]:
    """JSON pointers of marked fields that differ between two records, in the schema's order.

    Args:
        old: the record before
        new: the record after
        schema: their schema

    Returns:
        pointers; a field that is stated in one of the records only differs. 12 and 12.0 are the same
        number; a quantity restated in another unit differs, since nobody has said that it is the same
    """
    return invalidates(old, new, safety_pointers(schema))


def invalidates(old: Mapping[str, Any], new: Mapping[str, Any], pointers: Sequence[str]) -> tuple[str, ...]:
    """Those of the pointers at which two records differ."""
    return tuple(pointer for pointer in pointers if not _same(_at(old, pointer), _at(new, pointer)))


def _at(record: Mapping[str, Any], pointer: str) -> Any:
    found: Any = record
    for part in pointer.split("/")[1:]:
        name = part.replace("~1", "/").replace("~0", "~")
        if not isinstance(found, Mapping) or name not in found:
            return _MISSING
        found = found[name]
    return found


def _same(one: Any, other: Any) -> bool:
    """Whether two JSON values are the same; true and 1 are not."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(map(_same, one, other))
    return isinstance(one, bool) == isinstance(other, bool) and bool(one == other)


def effect(state: str) -> str | None:
    """Step that the service takes when a safety field changes.

    Args:
        state: release state of the hanger

    Returns:
        `lapse` from cleared, `hold` while work or proof rests on the record, None for a hanger that
        stands locked or on hold already
    """
    return _EFFECT.get(state)
