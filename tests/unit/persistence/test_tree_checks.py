"""The checks of a stored tree that need no database: where a log departs, and which origins follow others."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

import pytest

from service.domain.ports import StoredCheckpoint
from service.persistence.tree_checks import is_former, unvouched


def log_of(
    departs_at: int, sizes: list[int]
) -> tuple[Callable[[int], bytes], Callable[..., StoredCheckpoint | None]]:
    """Roots of a log that is another one from `departs_at` on, and its checkpoints, signed before."""

    def root(size: int, whole: bool) -> bytes:
        return hashlib.sha256(f"{size} {whole or size <= departs_at}".encode()).digest()

    def first_from(low: int, end: int) -> StoredCheckpoint | None:
        size = next((each for each in sorted(sizes) if low <= each < end), None)
        return None if size is None else StoredCheckpoint(size, root(size, True), b"")

    return (lambda size: root(size, False)), first_from


@pytest.mark.parametrize(
    "sizes", [[0, 1, 2, 3, 4, 5, 6, 7], [0, 3, 4, 7], [5], [7], [], [0, 7], list(range(0, 90, 7))]
)
@pytest.mark.parametrize("end", [7, 8, 90])
def test_the_last_checkpoint_that_agrees_is_found_wherever_the_log_departs(
    sizes: list[int], end: int
) -> None:
    for departs_at in range(end):
        root_at, first_from = log_of(departs_at, sizes)
        expected = max((each for each in sizes if each <= departs_at and each < end), default=0)
        assert unvouched(root_at, first_from, end) == expected, departs_at


def test_few_checkpoints_are_looked_at_of_many() -> None:
    looked: list[int] = []

    def digest(size: int, whole: bool) -> bytes:
        return hashlib.sha256(f"{size} {whole}".encode()).digest()

    def root_at(size: int) -> bytes:
        looked.append(size)
        return digest(size, size <= 123_456)

    def first_from(low: int, end: int) -> StoredCheckpoint | None:
        return StoredCheckpoint(low, digest(low, True), b"") if low < end else None

    assert unvouched(root_at, first_from, 200_000) == 123_456
    assert len(looked) <= 18


@pytest.mark.parametrize(
    ("origin", "present", "expected"),
    [
        ("h/log/ab", "h/log/ab/2", True),
        ("h/log/ab", "h/log/ab/3", True),
        ("h/log/ab/2", "h/log/ab/3", True),
        ("h/log/ab/9", "h/log/ab/10", True),
        ("h/log/ab/3", "h/log/ab/2", False),
        ("h/log/ab/2", "h/log/ab/2", False),
        ("h/log/ab/2", "h/log/ab", False),
        ("h/log/ab", "h/log/ab/x", False),
        ("h/log/cd", "h/log/ab/2", False),
        ("h/log/cd/1", "h/log/ab/2", False),
        ("h/log", "h/log/ab", False),
        ("h/log/ab", "h/log/ab", False),
    ],
)
def test_an_origin_is_former_where_a_later_number_stands_behind_it(
    origin: str, present: str, expected: bool
) -> None:
    assert is_former(origin, present) is expected
