"""The checker itself: a sound history passes, and each planted fault is found and named."""

from __future__ import annotations

import base64
import copy
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.torture import evidence
from tests.torture.history import ACKNOWLEDGED, REFUSED, History, Reading, Remark, Served
from tests.torture.invariants import MARK, scope_of, violations
from tests.torture.samples import OTHER_KEY, PLANT, Builder, note, sound
from tests.torture.truth import StoredLog


def found(built: Builder) -> set[str]:
    return {violation.invariant for violation in violations(built.history, built.truth)}


def rows(built: Builder) -> list[tuple[int, bytes, bytes]]:
    return built.truth.logs[PLANT].rows


def put(built: Builder, place: int, **changes: object) -> None:
    """Replaces an event by one that says something else, with the leaf hash of its new bytes."""
    event = {**evidence.parsed(rows(built)[place][1]), **changes}
    body = evidence.canonical(event)
    rows(built)[place] = (place, body, evidence.leaf(body))


def sign_again(built: Builder) -> None:
    """Signs every checkpoint anew over the rows as they are: a forger who has the key."""
    log = built.truth.logs[PLANT]
    roots = evidence.roots([leaf for _, _, leaf in log.rows])
    log.checkpoints = [(size, roots[size], note(size, roots[size])) for size in range(len(log.rows) + 1)]


def test_a_sound_history_has_no_violation() -> None:
    built = sound()
    assert violations(built.history, built.truth, built.truth) == []


def test_a_sound_history_beyond_a_tile_has_no_violation() -> None:
    built = sound(acts=270)
    assert set(built.truth.logs[PLANT].tiles) == {(1, 0)}
    assert violations(built.history, built.truth) == []


def test_a_history_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    built = sound()
    built.history.save(tmp_path / "history")
    read = History.load(tmp_path / "history")
    assert read.sent == built.history.sent
    assert read.served == built.history.served
    assert read.readings == built.history.readings
    assert read.delivered == built.history.delivered
    assert (read.keys, read.before, read.subscriptions) == (
        built.history.keys,
        built.history.before,
        built.history.subscriptions,
    )
    assert violations(read, built.truth) == []


# --- faults that are planted ------------------------------------------------------------------------
def lose_the_last(built: Builder) -> None:
    log = built.truth.logs[PLANT]
    log.rows.pop()
    log.next_sequence -= 1


def lose_an_acknowledged_one_and_forge_the_rest(built: Builder) -> None:
    """As if the event had never been: places, chains, head, keys and signatures are all made good."""
    kept = [evidence.parsed(body) for _, body, _ in rows(built)]
    del kept[3]
    log = built.truth.logs[PLANT]
    log.rows.clear()
    for event in kept:
        built.event(PLANT, event["type"], event["subject"], event["data"])
    built.truth.kept = {
        scope_of(sent): kept_answer
        for sent in built.history.sent
        if sent.key and sent.identities != ["a-3"]
        for kept_answer in [built.truth.kept.get(scope_of(sent))]
        if kept_answer is not None
    }
    sign_again(built)


def write_one_twice(built: Builder) -> None:
    built.event(PLANT, "hanger-inspected", "hanger/h-0", {"extensions": {MARK: "a-0"}})
    sign_again(built)


def write_an_abandoned_one_twice(built: Builder) -> None:
    for _ in range(2):
        built.event(PLANT, "hanger-inspected", "hanger/h-0", {"extensions": {MARK: "unknown-lost"}})
    sign_again(built)


def write_a_refused_one(built: Builder) -> None:
    built.event(PLANT, "hanger-inspected", "hanger/h-0", {"extensions": {MARK: "refused"}})
    sign_again(built)


def write_what_nobody_sent(built: Builder) -> None:
    built.event(PLANT, "hanger-inspected", "hanger/h-0", {"extensions": {MARK: "never-sent"}})
    sign_again(built)


def write_without_any_mark(built: Builder) -> None:
    built.event(PLANT, "hanger-inspected", "hanger/h-0", {})
    sign_again(built)


def lose_a_row_of_a_bulk(built: Builder) -> None:
    put(built, 16, subject="hanger/elsewhere")


def alter_and_hash_again(built: Builder) -> None:
    put(built, 4, data={"extensions": {MARK: "a-4"}, "in_place": False})
    sign_again(built)


def alter_bytes_alone(built: Builder) -> None:
    place, body, leaf = rows(built)[4]
    rows(built)[4] = (place, body.replace(b"hanger-inspected", b"hanger-inspectee"), leaf)


def not_canonical(built: Builder) -> None:
    _, body, _ = rows(built)[4]
    body = body.replace(b'":', b'": ', 1)
    rows(built)[4] = (4, body, evidence.leaf(body))


def leave_a_gap(built: Builder) -> None:
    del rows(built)[5]


def move_the_head(built: Builder) -> None:
    built.truth.logs[PLANT].next_sequence += 1


def move_the_last_time(built: Builder) -> None:
    built.truth.logs[PLANT].last_recorded_at = "2026-05-05T06:00:00.000000Z"


def set_a_clock_back(built: Builder) -> None:
    put(built, 6, recorded_at="2026-05-03T06:00:00.000000Z")


def break_a_chain(built: Builder) -> None:
    put(built, 6, previous="00" * 32)


def count_a_subject_wrong(built: Builder) -> None:
    put(built, 6, subject_sequence=7)


def use_an_id_twice(built: Builder) -> None:
    put(built, 6, id="ev_works_5")


def answer_a_replay_otherwise(built: Builder) -> None:
    sent = built.history.sent[2]
    sent.answers[1] = {**copy.deepcopy(sent.answers[1]), "flags": ["jump"]}


def answer_twice_as_if_for_the_first_time(built: Builder) -> None:
    built.history.sent[2].firsts = 2


def acknowledge_without_a_place(built: Builder) -> None:
    record = next(sent for sent in built.history.sent if sent.kind == "record")
    record.answers = [{"sequence": None, "revision": 1}]


def lose_words(built: Builder) -> None:
    del built.truth.logs[PLANT].notes[2]


def keep_erased_words(built: Builder) -> None:
    built.truth.logs[PLANT].notes[1] = "seen a-1"


def erase_words_that_nobody_erased(built: Builder) -> None:
    built.truth.logs[PLANT].notes[2] = None


def forget_a_key(built: Builder) -> None:
    del built.truth.kept[scope_of(built.history.sent[2])]


def keep_a_key_without_its_event(built: Builder) -> None:
    lost = next(sent for sent in built.history.sent if sent.identities == ["unknown-lost"])
    built.truth.kept[scope_of(lost)] = built.history.sent[0].answers[0]


def keep_an_answer_of_another(built: Builder) -> None:
    built.truth.kept[scope_of(built.history.sent[2])] = built.history.sent[1].answers[0]


def keep_an_answer_nobody_asked_for(built: Builder) -> None:
    built.truth.kept["0" * 64] = {}


def fork_a_served_checkpoint(built: Builder) -> None:
    """The same size under another root, well signed: shown to one and never again."""
    built.history.add(Served(PLANT, "other", 100.0, note(5, b"\x07" * 32)))


def serve_beyond_the_end(built: Builder) -> None:
    built.history.add(Served(PLANT, "other", 100.0, note(500, b"\x07" * 32)))


def serve_what_is_not_stored(built: Builder) -> None:
    log = built.truth.logs[PLANT]
    log.checkpoints = [row for row in log.checkpoints if row[0] != 5]


def serve_less_than_before(built: Builder) -> None:
    first = built.truth.logs[PLANT].checkpoints[1][2]
    built.history.add(Served(PLANT, "watcher", 0.0, first))


def serve_less_than_was_acknowledged(built: Builder) -> None:
    first = built.truth.logs[PLANT].checkpoints[1][2]
    built.history.add(Served(PLANT, "other", 1_000.0, first))


def sign_with_another_key(built: Builder) -> None:
    log = built.truth.logs[PLANT]
    size, root, _ = log.checkpoints[5]
    log.checkpoints[5] = (size, root, note(size, root, OTHER_KEY))


def sign_badly(built: Builder) -> None:
    log = built.truth.logs[PLANT]
    size, root, signed = log.checkpoints[5]
    log.checkpoints[5] = (size, root, signed.replace(f"\n{size}\n", f"\n{size + 1}\n"))


def store_no_checkpoint_for_the_end(built: Builder) -> None:
    log = built.truth.logs[PLANT]
    log.checkpoints.pop()
    built.history.served = [served for served in built.history.served if int(served.note.split("\n")[1]) < 17]


def store_a_root_beside_the_note(built: Builder) -> None:
    log = built.truth.logs[PLANT]
    size, _, signed = log.checkpoints[5]
    log.checkpoints[5] = (size, b"\x01" * 32, signed)


def fork_a_witness(built: Builder) -> None:
    built.truth.witnesses["one:lg_works"] = note(5, b"\x07" * 32)


def name_another_origin(built: Builder) -> None:
    built.truth.logs[PLANT].origin = "hangers.example/log/other"


def spoil_a_tile(built: Builder) -> None:
    built.truth.logs[PLANT].tiles[(1, 0)] = b"\x01" * 32


def read_over_an_event(built: Builder) -> None:
    del built.history.readings[0].lines[3]


def read_an_event_twice(built: Builder) -> None:
    lines = built.history.readings[0].lines
    lines.insert(3, lines[3])


def read_other_bytes(built: Builder) -> None:
    built.history.readings[0].lines[3] = base64.b64encode(b"{}").decode()


def stop_reading_early(built: Builder) -> None:
    built.history.readings[0].lines.pop()


def read_beyond_the_end(built: Builder) -> None:
    built.history.readings[0].take(b"{}")


def never_deliver(built: Builder) -> None:
    del built.history.delivered[-1]


def deliver_out_of_order(built: Builder) -> None:
    delivered = built.history.delivered
    delivered[0], delivered[3] = delivered[3], delivered[0]


def deliver_after_one_that_was_not_taken(built: Builder) -> None:
    built.history.delivered[0].accepted = False
    built.history.delivered.append(copy.copy(built.history.delivered[0]))
    built.history.delivered[-1].accepted = True


def deliver_unsigned(built: Builder) -> None:
    built.history.delivered[0].signed = False


def deliver_other_bytes(built: Builder) -> None:
    built.history.delivered[0].body = base64.b64encode(b"{}").decode()


def let_a_projection_differ(built: Builder) -> None:
    built.truth.differences.append("projection: a row")


def seal_the_log(built: Builder) -> None:
    built.truth.logs[PLANT].fault = '{"reason": "altered"}'


def remark_something(built: Builder) -> None:
    built.history.add(Remark("answer", "500 to a GET"))


FAULTS: list[tuple[Callable[[Builder], None], str]] = [
    (lose_the_last, "acknowledged"),
    (lose_an_acknowledged_one_and_forge_the_rest, "acknowledged"),
    (lose_an_acknowledged_one_and_forge_the_rest, "checkpoint"),
    (lose_an_acknowledged_one_and_forge_the_rest, "reader"),
    (write_one_twice, "once"),
    (write_an_abandoned_one_twice, "once"),
    (write_a_refused_one, "refused"),
    (write_what_nobody_sent, "invented"),
    (write_without_any_mark, "invented"),
    (lose_a_row_of_a_bulk, "whole"),
    (alter_and_hash_again, "acknowledged"),
    (alter_and_hash_again, "checkpoint"),
    (alter_bytes_alone, "bytes"),
    (not_canonical, "bytes"),
    (leave_a_gap, "dense"),
    (move_the_head, "head"),
    (move_the_last_time, "head"),
    (set_a_clock_back, "time"),
    (break_a_chain, "chain"),
    (count_a_subject_wrong, "chain"),
    (use_an_id_twice, "id"),
    (answer_a_replay_otherwise, "replay"),
    (acknowledge_without_a_place, "acknowledged"),
    (answer_twice_as_if_for_the_first_time, "replay"),
    (lose_words, "words"),
    (keep_erased_words, "words"),
    (erase_words_that_nobody_erased, "words"),
    (forget_a_key, "keys"),
    (keep_a_key_without_its_event, "keys"),
    (keep_an_answer_of_another, "keys"),
    (keep_an_answer_nobody_asked_for, "keys"),
    (fork_a_served_checkpoint, "checkpoint"),
    (serve_beyond_the_end, "checkpoint"),
    (serve_what_is_not_stored, "checkpoint"),
    (serve_less_than_before, "checkpoint"),
    (serve_less_than_was_acknowledged, "checkpoint"),
    (sign_with_another_key, "checkpoint"),
    (sign_badly, "checkpoint"),
    (store_no_checkpoint_for_the_end, "checkpoint"),
    (store_a_root_beside_the_note, "checkpoint"),
    (fork_a_witness, "checkpoint"),
    (name_another_origin, "checkpoint"),
    (spoil_a_tile, "tile"),
    (read_over_an_event, "reader"),
    (read_an_event_twice, "reader"),
    (read_other_bytes, "reader"),
    (stop_reading_early, "reader"),
    (read_beyond_the_end, "reader"),
    (never_deliver, "webhook"),
    (deliver_out_of_order, "webhook"),
    (deliver_after_one_that_was_not_taken, "webhook"),
    (deliver_unsigned, "webhook"),
    (deliver_other_bytes, "webhook"),
    (let_a_projection_differ, "projections"),
    (seal_the_log, "sealed"),
    (remark_something, "answer"),
]


@pytest.mark.parametrize(
    ("plant", "invariant"), FAULTS, ids=[f"{plant.__name__}-{invariant}" for plant, invariant in FAULTS]
)
def test_a_planted_fault_is_found(plant: Callable[[Builder], None], invariant: str) -> None:
    built = sound()
    plant(built)
    assert invariant in found(built)


def test_a_missing_tile_is_found() -> None:
    built = sound(acts=270)
    built.truth.logs[PLANT].tiles.clear()
    assert found(built) == {"tile"}


def test_a_lost_log_is_found() -> None:
    built = sound()
    del built.truth.logs[PLANT]
    assert "acknowledged" in found(built)


def test_what_changed_since_the_last_check_is_found() -> None:
    before = sound().truth
    for change in (alter_and_hash_again, sign_badly, forget_a_key, lose_the_last):
        now = sound()
        change(now)
        invariants = {each.invariant for each in violations(now.history, now.truth, before)}
        assert "append-only" in invariants, change.__name__


def test_a_write_without_an_answer_is_good_once_or_never() -> None:
    """`sound` holds both, the written and the lost; as acknowledged the lost one is a violation."""
    built = sound()
    lost = next(sent for sent in built.history.sent if sent.identities == ["unknown-lost"])
    lost.outcome = ACKNOWLEDGED
    assert found(built) == {"acknowledged"}
    written = next(sent for sent in built.history.sent if sent.identities == ["unknown-written"])
    lost.outcome, written.outcome = REFUSED, REFUSED
    assert found(built) == {"refused"}


def test_a_reader_that_was_stopped_early_need_not_be_complete() -> None:
    built = sound()
    built.history.readings = [Reading(PLANT, "short", 5, [built.history.readings[0].lines[5]])]
    assert found(built) == set()


def test_an_unsigned_store_is_judged_without_checkpoints() -> None:
    built = sound()
    for name, log in built.truth.logs.items():
        plain = StoredLog(log.log_id, log.next_sequence, log.last_recorded_at, log.rows, notes=log.notes)
        built.truth.logs[name] = plain
    built.history.served = []
    assert found(built) == set()


def test_roots_in_one_pass_are_those_of_the_definition() -> None:
    leaves = [evidence.leaf(bytes([number])) for number in range(70)]
    assert evidence.roots(leaves) == [evidence.root(leaves[:size]) for size in range(71)]
