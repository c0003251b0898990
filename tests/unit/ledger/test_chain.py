"""A log is checked from its bytes: whatever is edited, dropped, moved or cut is found at its place."""

from __future__ import annotations

import hashlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.canonical import canonical_bytes, parse_canonical
from service.errors import LogCorrupt
from service.ledger.chain import LogCheck, SubjectHead, verify_log, verify_subject

Entry = tuple[int, bytes, bytes]


def sealed(position: int, document: dict[str, Any]) -> Entry:
    body = canonical_bytes(document)
    return position, body, hashlib.sha256(b"\x00" + body).digest()


def log_of(subjects: list[str], log_id: str = "log-1") -> list[Entry]:
    """A sound log with one entry for each subject named, in order."""
    entries: list[Entry] = []
    heads: dict[str, tuple[int, str]] = {}
    for position, subject in enumerate(subjects):
        count, previous = heads.get(subject.casefold(), (0, None))
        document = {
            "sequence": position,
            "id": f"id-{position}",
            "log_id": log_id,
            "subject": subject,
            "subject_sequence": count,
            "previous": previous,
            "recorded_at": f"2026-05-04T06:00:{position:02d}.000000Z",
            "data": {"n": position},
        }
        entries.append(sealed(position, document))
        heads[subject.casefold()] = (count + 1, entries[-1][2].hex())
    return entries


def refusal(entries: list[Entry], **given: Any) -> tuple[int, str]:
    with pytest.raises(LogCorrupt) as corrupt:
        verify_log(entries, **given)
    return corrupt.value.facts["position"], corrupt.value.facts["reason"]


SUBJECTS = st.lists(
    st.sampled_from(["hanger/H1", "hanger/h1", "hanger/H2", "line/A", "plant"]), min_size=1, max_size=12
)


@given(SUBJECTS)
def test_a_sound_log_is_summed_up(subjects: list[str]) -> None:
    entries = log_of(subjects)
    summary = verify_log(entries, len(entries), "log-1")
    assert (summary.log_id, summary.size) == ("log-1", len(entries))
    folded = [subject.casefold() for subject in subjects]
    assert {name: head.count for name, head in summary.subjects.items()} == {
        name: folded.count(name) for name in folded
    }
    assert summary.last_recorded_at == f"2026-05-04T06:00:{len(entries) - 1:02d}.000000Z"


def test_an_empty_log_is_sound() -> None:
    assert verify_log([], 0).size == 0
    assert verify_log([]).last_recorded_at is None


@given(SUBJECTS, st.data())
def test_an_edited_entry_is_found_at_its_place(subjects: list[str], data: st.DataObject) -> None:
    entries = log_of(subjects)
    place = data.draw(st.integers(0, len(entries) - 1))
    position, body, digest = entries[place]
    bit = data.draw(st.integers(0, len(body) * 8 - 1))
    changed = bytearray(body)
    changed[bit // 8] ^= 1 << bit % 8
    entries[place] = (position, bytes(changed), digest)
    assert refusal(entries) == (place, "leaf-hash")


@given(SUBJECTS, st.data())
def test_a_dropped_entry_is_found_at_its_place(subjects: list[str], data: st.DataObject) -> None:
    entries = log_of(subjects)
    place = data.draw(st.integers(0, len(entries) - 1))
    del entries[place]
    assert refusal(entries, size=len(subjects)) == (place, "position" if place < len(entries) else "size")


@given(SUBJECTS, st.data())
def test_a_cut_tail_is_found_where_it_was_cut(subjects: list[str], data: st.DataObject) -> None:
    kept = data.draw(st.integers(0, len(subjects) - 1))
    assert refusal(log_of(subjects)[:kept], size=len(subjects)) == (kept, "size")


@given(SUBJECTS, st.data())
def test_two_entries_swapped_are_found_at_the_first(subjects: list[str], data: st.DataObject) -> None:
    entries = log_of([*subjects, "plant"])
    place = data.draw(st.integers(0, len(entries) - 2))
    (p, *first), (q, *second) = entries[place : place + 2]
    entries[place : place + 2] = [(p, *second), (q, *first)]  # type: ignore[list-item]
    assert refusal(entries) == (place, "sequence")


@given(SUBJECTS, st.data())
def test_an_entry_rewritten_with_its_hash_breaks_its_subjects_chain(
    subjects: list[str], data: st.DataObject
) -> None:
    entries = log_of([*subjects, *subjects])
    place = data.draw(st.integers(0, len(subjects) - 1))
    document = parse_canonical(entries[place][1])
    entries[place] = sealed(place, {**document, "data": {"n": "rewritten"}})
    folded = [subject.casefold() for subject in [*subjects, *subjects]]
    follower = folded.index(folded[place], place + 1)
    assert refusal(entries) == (follower, "subject-chain")


def altered(place: int, **changed: Any) -> list[Entry]:
    entries = log_of(["plant", "hanger/H1", "hanger/H1"])
    document = {**parse_canonical(entries[place][1]), **changed}
    entries[place] = sealed(place, document)
    return entries


@pytest.mark.parametrize(
    ("place", "changed", "reason"),
    [
        (2, {"sequence": 1}, "sequence"),
        (2, {"sequence": None}, "sequence"),
        (2, {"log_id": "log-2"}, "log-id"),
        (2, {"id": "id-0"}, "id"),
        (2, {"id": None}, "id"),
        (2, {"recorded_at": "2026-05-04T06:00:00.999999Z"}, "recorded-at"),
        (2, {"recorded_at": 7}, "recorded-at"),
        (2, {"subject": None}, "subject"),
        (2, {"subject": "hanger/H2"}, "subject-chain"),
        (2, {"subject_sequence": 2}, "subject-chain"),
        (2, {"subject_sequence": 0, "previous": None}, "subject-chain"),
        (2, {"previous": "00" * 32}, "subject-chain"),
        (0, {"previous": "00" * 32}, "subject-chain"),
    ],
)
def test_an_entry_that_states_something_else_is_found(
    place: int, changed: dict[str, Any], reason: str
) -> None:
    assert refusal(altered(place, **changed)) == (place, reason)


def test_equal_recording_times_are_in_order() -> None:
    entries = altered(2, recorded_at="2026-05-04T06:00:01.000000Z")
    assert verify_log(entries).size == 3


def test_a_log_of_another_id_is_refused_from_its_first_entry() -> None:
    assert refusal(log_of(["plant"]), log_id="log-2") == (0, "log-id")


@pytest.mark.parametrize(
    "body", [b"", b"[]", b'"text"', b'{"a": 1}', b'{"b":1,"a":2}', b'{"a":1.0}', b"\xff"]
)
def test_bytes_that_are_not_a_canonical_object_are_refused(body: bytes) -> None:
    assert refusal([(0, body, hashlib.sha256(b"\x00" + body).digest())]) == (0, "canonical")


def test_entries_may_be_checked_as_they_come() -> None:
    check = LogCheck()
    for place, (position, body, digest) in enumerate(log_of(["plant", "line/A"])):
        assert check.size == place
        assert check.accept(position, body, digest)["sequence"] == place
    assert check.finish(2).log_id == "log-1"


# --- one subject alone ------------------------------------------------------------------------------------
def history(subject: str) -> list[tuple[bytes, bytes]]:
    entries = log_of(["hanger/H1", "hanger/H2", "hanger/h1", "plant", "hanger/H1"])
    return [(body, digest) for _, body, digest in entries
            if parse_canonical(body)["subject"].casefold() == subject.casefold()]  # fmt: skip


def subject_refusal(entries: list[tuple[bytes, bytes]]) -> tuple[int, str]:
    with pytest.raises(LogCorrupt) as corrupt:
        verify_subject(entries)
    return corrupt.value.facts["position"], corrupt.value.facts["reason"]


def test_one_subjects_history_is_shown_complete_without_the_rest() -> None:
    entries = history("hanger/H1")
    assert verify_subject(entries) == SubjectHead(3, entries[-1][1].hex())
    assert verify_subject([]) is None


def test_a_gap_in_one_subjects_history_is_found() -> None:
    entries = history("hanger/H1")
    assert subject_refusal(entries[1:]) == (0, "subject-chain")
    assert subject_refusal([entries[0], entries[2]]) == (1, "subject-chain")
    assert subject_refusal([entries[0], history("plant")[0]]) == (1, "subject")
    assert subject_refusal([entries[0], entries[0]]) == (1, "sequence")
    assert subject_refusal([(entries[0][0], entries[1][1])]) == (0, "leaf-hash")
    nameless = canonical_bytes({"sequence": 0, "subject": 1})
    assert subject_refusal([(nameless, hashlib.sha256(b"\x00" + nameless).digest())]) == (0, "subject")
    [placeless] = [sealed(0, {"sequence": "x", "subject": "plant", "subject_sequence": 0, "previous": None})]
    assert subject_refusal([placeless[1:]]) == (0, "sequence")
