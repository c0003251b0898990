"""An appended event: its place, its bytes, its chain, and what a refusal leaves behind."""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import rfc8785
from sqlalchemy import select, text

from service import errors
from service.domain.ports import EventFilter
from service.persistence import tables
from service.persistence.rebuild import rebuild
from service.persistence.store import SqlStore
from tests.contract.acts import (
    START,
    Clock,
    act,
    append,
    hanger_record,
    inspection,
    line_record,
    open_plant,
    plant_record,
    transfer,
)


def test_places_are_dense_from_zero_and_each_log_has_its_own(store: SqlStore) -> None:
    open_plant(store, "Works-2")
    assert append(store, "Works-1", plant_record(), line_record("A"), line_record("B")) == [0, 1, 2]
    assert append(store, "Works-2", plant_record()) == [0]
    with store.read("Works-1") as one, store.read("works-2") as two, store.read_service() as service:
        assert (one.size, two.size, service.size) == (3, 1, 3)  # the service's: a key, two plants
        assert len({one.log_id, two.log_id, service.log_id}) == 3
        assert re.fullmatch(r"[0-9a-f]{32}", one.log_id)


def test_many_events_in_one_transaction_have_dense_places_too(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        places = [writer.append(line_record(f"L{number}")).sequence for number in range(5)]
        assert writer.size == 5
    assert places == [0, 1, 2, 3, 4]
    assert append(store, "Works-1", line_record("L5")) == [5]


def test_the_stored_bytes_are_canonical_and_hash_to_the_leaf(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        placed = writer.append(inspection("H1", "A", rod_offset={"value": 30.0, "unit": "mm"}, shown=-0.0))
    with store.read("Works-1") as reader:
        stored = reader.event(0)
    assert stored is not None
    assert stored.body == rfc8785.dumps(placed.as_document())
    assert stored.leaf_hash == hashlib.sha256(b"\x00" + stored.body).hexdigest() == placed.leaf_hash
    assert stored.event == placed
    assert b'"rod_offset":{"unit":"mm","value":30},"shown":0' in stored.body


def test_a_whole_number_beyond_the_exact_integers_is_kept_as_the_float_it_was(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        writer.append(hanger_record("H1", "A", extensions={"count": 1e17}))
        writer.append(inspection("H1", "A", interference=1e17))
        writer.append(inspection("H1", "A", corrects=1, interference=1e18))
    assert rebuild(store, write=False) == []


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 2**53, "\ud800", {"\ud800": 1}])
def test_a_value_without_canonical_form_is_refused_and_leaves_nothing(store: SqlStore, value: Any) -> None:
    with store.write("Works-1") as writer:
        with pytest.raises(errors.InvalidDocument):
            writer.append(inspection("H1", "A", interference=value))
        assert writer.append(line_record("A")).sequence == 0


def test_words_that_are_no_text_are_refused_and_leave_nothing(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        with pytest.raises(errors.InvalidDocument):
            writer.append(inspection("H1", "A", texts={"note": "half \ud83d"}))
        assert writer.size == 0


def test_an_id_is_a_uuid_of_version_seven_with_the_time_of_the_clock(store: SqlStore, clock: Clock) -> None:
    with store.write("Works-1") as writer:
        ids = [writer.append(line_record(f"L{number}")).id for number in range(3)]
    assert len(set(ids)) == 3
    for identifier in ids:
        assert re.fullmatch(
            r"[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}", identifier
        )
        milliseconds = int(identifier.replace("-", "")[:12], 16)
        assert datetime.fromtimestamp(milliseconds / 1000, UTC) == clock.moment


def test_the_recording_time_never_goes_back_when_the_clock_does(store: SqlStore, clock: Clock) -> None:
    append(store, "Works-1", line_record("A"))
    clock.move(hours=-3)
    with store.write("Works-1") as writer:
        late = [writer.append(line_record("B")), writer.append(line_record("C"))]
    assert [event.recorded_at for event in late] == ["2026-05-04T06:00:00.000000Z"] * 2
    clock.move(hours=4, microseconds=7)
    with store.write("Works-1") as writer:
        assert writer.append(line_record("D")).recorded_at == "2026-05-04T07:00:00.000007Z"


def test_each_subject_has_a_chain_of_its_own(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        a0 = writer.append(hanger_record("H1", "A"))
        b0 = writer.append(hanger_record("H2", "A"))
        a1 = writer.append(inspection("H1", "A", in_place=True))
    with store.write("Works-1") as writer:
        a2 = writer.append(inspection("H1", "A", in_place=False))
    assert [each.subject_sequence for each in (a0, b0, a1, a2)] == [0, 0, 1, 2]
    assert [each.previous for each in (a0, b0, a1, a2)] == [None, None, a0.leaf_hash, a1.leaf_hash]


def test_keys_keep_their_first_spelling_in_later_events(store: SqlStore) -> None:
    with store.write("WORKS-1") as writer:
        writer.append(line_record("Main-1"))
        first = writer.append(hanger_record("Ms-H1", "MAIN-1"))
        again = writer.append(inspection("mS-h1", "main-1", in_place=True))
        moved = writer.append(transfer("MS-H1", "mAIN-1", "side-2"))
        after = writer.append(inspection("MS-H1", "SIDE-2", in_place=True))
        assert writer.plant == "Works-1"
    assert {each.subject for each in (first, again, moved, after)} == {"hanger/Ms-H1"}
    assert [each.line for each in (first, again, moved, after)] == ["Main-1", "Main-1", "Main-1", "side-2"]
    assert [each.subject_sequence for each in (first, again, moved, after)] == [0, 1, 2, 3]


def test_free_text_stays_beside_the_leaf_which_holds_its_salted_digest(store: SqlStore) -> None:
    words = "bent at the clamp, zero byte \0, ü"
    with store.write("Works-1") as writer:
        placed = writer.append(inspection("H1", "A", in_place=True, texts={"note": words}))
    with store.read("Works-1") as reader:
        stored = reader.event(0)
        row = reader.connection.execute(select(tables.texts)).one()
    assert stored is not None
    assert stored.texts == {"note": words}
    assert b"clamp" not in stored.body
    assert len(row.salt) == 32
    digest = hashlib.sha256(row.salt + words.encode()).hexdigest()
    assert placed.data["note"] == {"sha256": digest}


def test_equal_words_have_different_digests(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        notes = [writer.append(inspection("H1", "A", texts={"note": "same"})).data["note"] for _ in range(2)]
    assert notes[0] != notes[1]


@pytest.mark.parametrize("erasure", ["text = NULL", "text = NULL, salt = NULL"])
def test_erasing_words_leaves_bytes_hash_and_rebuild_intact(store: SqlStore, erasure: str) -> None:
    append(store, "Works-1", hanger_record("H1", "A"), inspection("H1", "A", texts={"note": "a name"}))
    with store.read("Works-1") as reader:
        before = reader.event(1)
    with store.engine.begin() as connection:
        connection.execute(text(f"UPDATE texts SET {erasure} WHERE field = 'note'"))
    with store.read("Works-1") as reader:
        after = reader.event(1)
    assert before is not None
    assert after is not None
    assert (after.body, after.leaf_hash) == (before.body, before.leaf_hash)
    assert after.texts == {}
    assert rebuild(store, write=False) == []


def test_a_large_document_moves_beside_the_log_and_is_read_as_a_whole(store: SqlStore) -> None:
    large = {"notes": ["x" * 100] * 200}
    with store.write("Works-1") as writer:
        placed = writer.append(hanger_record("H1", "A", extensions=large))
        writer.append(hanger_record("H2", "A"))
    assert "document" not in placed.data
    with store.read("Works-1") as reader:
        record = reader.record("hanger", "H1")
        kept = reader.connection.execute(select(tables.documents)).one()
    assert record is not None
    assert record.document == {"line": "A", "mark": "H1", "kind": "variable", "extensions": large}
    assert placed.data == {
        "revision": 1,
        "document_sha256": hashlib.sha256(rfc8785.dumps(dict(record.document))).hexdigest(),
        "bytes": len(rfc8785.dumps(dict(record.document))),
        "media_type": "application/json",
    }
    assert kept.sha256 == placed.data["document_sha256"]
    assert rebuild(store, write=False) == []


def test_the_switch_to_a_document_is_at_sixteen_kibibytes_exactly(store: SqlStore) -> None:
    def entry(filler: int) -> Any:
        with store.write("Works-1") as writer:
            placed = writer.append(line_record("A", extensions={"filler": "x" * filler}))
            body = rfc8785.dumps(placed.as_document())
            writer.rollback_only()
        return placed, len(body)

    _, empty = entry(0)
    fits, size = entry(16_384 - empty)
    assert size == 16_384
    assert "document" in fits.data
    over, _ = entry(16_385 - empty)
    assert "document_sha256" in over.data


def test_the_same_large_document_is_kept_once(store: SqlStore) -> None:
    large = {"notes": "x" * 20_000}
    append(store, "Works-1", line_record("A", 1, extensions=large), line_record("A", 2),
           line_record("A", 3, extensions=large))  # fmt: skip
    with store.read("Works-1") as reader:
        assert len(reader.connection.execute(select(tables.documents.c.sha256)).all()) == 1
    assert rebuild(store, write=False) == []


def test_a_document_may_be_brought_as_bytes(store: SqlStore) -> None:
    content = b'{"description": "as it came"}'
    event = act("line-recorded", "line/A", {"revision": 1}, "A", document=content)
    with store.write("Works-1") as writer:
        placed = writer.append(event)
    assert placed.data["document_sha256"] == hashlib.sha256(content).hexdigest()
    with store.read("Works-1") as reader:
        record = reader.record("line", "a")
    assert record is not None
    assert record.document == {"description": "as it came"}
    assert rebuild(store, write=False) == []


def test_an_entry_over_the_limit_is_refused_and_leaves_nothing(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        with pytest.raises(errors.TooLarge) as refusal:
            writer.append(inspection("H1", "A", defects=["x" * 66_000]))
        assert refusal.value.facts["accepted"] == 65_535
        with pytest.raises(errors.TooLarge):
            writer.append(line_record("A", extensions={"x": "y" * (4 * 1024 * 1024)}))
        assert writer.append(line_record("A")).sequence == 0
    assert rebuild(store, write=False) == []


def test_a_refused_append_leaves_the_transaction_as_it_was(store: SqlStore) -> None:
    taken = [{"source": "maintenance", "id": "17"}]
    with store.write("Works-1") as writer:
        writer.append(hanger_record("H1", "A", external_ids=taken))
        with pytest.raises(errors.DuplicateKey) as refusal:
            writer.append(hanger_record("H2", "A", external_ids=taken))
        assert refusal.value.facts["mark"] == "H1"
        with pytest.raises(errors.PreconditionFailed):
            writer.append(hanger_record("H1", "A", 3))
        with pytest.raises(errors.InvalidDocument):
            writer.append(inspection("H1", "A", at="2026-05-04T08:00:60Z"))
        assert writer.append(hanger_record("H3", "A")).sequence == 1
    with store.read("Works-1") as reader:
        assert reader.size == 2
        assert reader.hanger_view("H2") is None
    assert rebuild(store, write=False) == []


def test_an_error_in_a_transaction_leaves_nothing_of_it(store: SqlStore) -> None:
    append(store, "Works-1", line_record("A"))

    def fails() -> None:
        with store.write("Works-1") as writer:
            writer.append(hanger_record("H1", "A", external_ids=[{"source": "m", "id": "1"}]))
            writer.append(inspection("H1", "A", in_place=True, texts={"note": "gone"}))
            writer.remember("p", "POST", "/x", "k", "d", {"a": 1}, START)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails()
    with store.write("Works-1") as writer:
        assert writer.size == 1
        assert writer.hanger_view("H1") is None
        assert writer.external_id_owner("m", "1") is None
        assert writer.remembered("p", "POST", "/x", "k") is None
        assert writer.append(hanger_record("H1", "A")).sequence == 1
    assert rebuild(store, write=False) == []


def test_a_dry_run_sees_its_own_effects_and_leaves_nothing(store: SqlStore) -> None:
    with store.write("Works-1") as writer:
        writer.append(hanger_record("H1", "A"))
        assert writer.hanger_view("h1") is not None
        writer.rollback_only()
    with store.read("Works-1") as reader:
        assert reader.size == 0
        assert reader.hanger_view("H1") is None
    with store.write_service() as service:
        service.open_plant("Works-9")
        service.rollback_only()
    with pytest.raises(errors.NotFound), store.read("Works-9"):
        pass


def test_a_transaction_whose_append_broke_half_way_cannot_commit(
    store: SqlStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    append(store, "Works-1", line_record("A"))
    from service.persistence.projector import Projector

    def fails(self: Projector, plan: Any) -> None:
        raise ZeroDivisionError

    def swallows() -> None:
        with store.write("Works-1") as writer, monkeypatch.context() as patch:
            patch.setattr(Projector, "apply", fails)
            with pytest.raises(ZeroDivisionError):
                writer.append(line_record("B"))

    with pytest.raises(errors.StoreBusy):
        swallows()
    with store.read("Works-1") as reader:
        assert reader.size == 1
        assert reader.event(1) is None


def test_a_clients_event_id_counts_once_for_ever_in_its_plant(store: SqlStore) -> None:
    open_plant(store, "Works-2")
    append(store, "Works-1", line_record("A"), inspection("H1", "A", client_event_id="tablet-7"))
    with store.write("Works-1") as writer:
        with pytest.raises(errors.DuplicateKey) as refusal:
            writer.append(inspection("H1", "A", client_event_id="tablet-7"))
        assert refusal.value.facts["sequence"] == 1
        found = writer.event_by_client_id("tablet-7")
        assert found is not None
        assert found.event.sequence == 1
        assert writer.event_by_client_id("tablet-8") is None
    assert append(store, "Works-2", inspection("H1", "A", client_event_id="tablet-7")) == [0]


def test_a_plant_that_is_not_there_is_not_found(store: SqlStore) -> None:
    with pytest.raises(errors.NotFound), store.read("Works-7"):
        pass
    with pytest.raises(errors.NotFound), store.write("Works-7"):
        pass
    with pytest.raises(errors.NotFound):
        store.stream("Works-7", EventFilter(), 0, None)


def test_a_plants_key_is_in_use_in_any_letter_case(store: SqlStore) -> None:
    with store.write_service() as writer:
        with pytest.raises(errors.DuplicateKey) as refusal:
            writer.open_plant("WORKS-1")
        assert refusal.value.facts["plant"] == "Works-1"
        writer.open_plant("Works-2")
    assert store.plants("", 10, None) == ["Works-1", "Works-2"]
    assert store.plants("works-1", 10, None) == ["Works-2"]
    assert store.plants("", 10, frozenset({"WORKS-2"})) == ["Works-2"]
    assert store.plants("", 10, frozenset()) == []
    assert store.plants("", 1, None) == ["Works-1"]


def test_a_log_whose_head_disagrees_takes_no_more_events(store: SqlStore) -> None:
    append(store, "Works-1", line_record("A"))
    store.ready()
    with store.engine.begin() as connection:
        connection.execute(text("UPDATE logs SET next_sequence = 5 WHERE plant_key = 'works-1'"))
    with pytest.raises(errors.LogSealed) as refusal, store.write("Works-1"):
        pass
    assert refusal.value.facts == {"plant": "Works-1", "position": 1, "reason": "cut-off"}
    with pytest.raises(errors.LogCorrupt):
        store.ready()


def test_the_random_source_and_the_clock_decide_what_an_event_is(store: SqlStore) -> None:
    from service.persistence.folding import release_folds
    from service.persistence.writing import PlantWriting

    with store.engine.connect() as connection, connection.begin():
        head = store.locked_head(connection, "Works-1")
        writer = PlantWriting(
            connection,
            head,
            release_folds(),
            store.signing,
            lambda: START + timedelta(hours=1),
            lambda count: b"\xff" * count,
        )
        placed = writer.append(line_record("A"))
    assert placed.id == "019df1c9-6180-7fff-bfff-ffffffffffff"
