"""Verifying the logs alone: what is found good, and which place is named when something is not."""

from __future__ import annotations

import pytest

from service import errors
from service.config import Settings
from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore
from service.persistence.verify import verify_logs
from tests.contract.acts import inspection
from tests.contract.test_rebuild import DAMAGES, filled, unguarded

__all__ = ["filled"]


def test_every_log_is_named_with_its_size(filled: SqlStore, settings: Settings) -> None:
    found = [("service", 3), ("Works-1", 11), ("Works-2", 2)]
    assert verify_logs(filled) == found
    assert verify_logs(settings) == found


@pytest.mark.parametrize("name", ["body", "body-and-hash", "hash", "gap"])
def test_an_altered_or_missing_event_is_named(filled: SqlStore, name: str) -> None:
    place, statement, reason = DAMAGES[name]
    unguarded(filled, statement)
    with pytest.raises(errors.LogCorrupt) as corrupt:
        verify_logs(filled)
    assert corrupt.value.facts == {"plant": "Works-1", "position": place, "reason": reason}


def test_a_cut_tail_is_named(filled: SqlStore) -> None:
    unguarded(filled, DAMAGES["tail"][1])
    with pytest.raises(errors.LogCorrupt) as corrupt:
        verify_logs(filled)
    assert corrupt.value.facts == {"plant": "Works-1", "position": 10, "reason": "size"}


def test_a_document_beside_the_log_is_read_by_its_digest(filled: SqlStore) -> None:
    with filled.read("works-1") as reader:
        stored = reader.event(1)
        assert stored is not None
        found = reader.document(stored.event.data["document_sha256"])
        assert found is not None
        media_type, body = found
        assert (media_type, len(body)) == ("application/json", stored.event.data["bytes"])
        assert b"x" * 20_000 in body
        assert reader.document("0" * 64) is None
    with filled.read("Works-2") as other:
        assert other.document(stored.event.data["document_sha256"]) is None


OTHER_HASH = "(SELECT leaf_hash FROM events WHERE log = 1 AND sequence = 0)"


@pytest.mark.parametrize(
    ("statement", "verified_place"),
    [
        (f"UPDATE tree_hashes SET hash = {OTHER_HASH} WHERE position = 1", 256),
        # That one is missing shows in the number of tiles, which names no place.
        ("DELETE FROM tree_hashes WHERE position = 1", None),
    ],
)
def test_a_tile_of_the_stored_tree_that_is_missing_or_another_one_is_told(
    filled: SqlStore, statement: str, verified_place: int | None
) -> None:
    with filled.write("Works-1") as writer:
        for _ in range(600):
            writer.append(inspection("H1", "A", in_place=True))
    assert verify_logs(filled)
    unguarded(filled, statement)
    for check, place in ((verify_logs, verified_place), (lambda store: rebuild(store, write=False), 256)):
        with pytest.raises(errors.LogCorrupt) as corrupt:
            check(filled)
        assert corrupt.value.facts == {"plant": "Works-1", "position": place, "reason": "altered"}
