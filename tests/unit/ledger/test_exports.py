"""An export is verified line by line: whatever was done to it is named, with the first bad position."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.canonical import canonical_bytes, parse_canonical
from service.ledger import exports, verifier
from service.ledger.notes import signed_note
from service.ledger.verifier import (
    Frontier,
    Refused,
    RowTally,
    SubjectHead,
    parse_seal,
    verify_export,
)
from tests.unit.ledger.sample_log import (
    KEY,
    LOG_ID,
    ORIGIN,
    SALT,
    Log,
    key_of,
    leaf,
    root_of,
    signer,
    tree_hash,
)

SUBJECTS = st.lists(
    st.sampled_from(["hanger/H1", "hanger/h1", "hanger/H2", "line/A", "plant"]), min_size=1, max_size=14
)


def refusal(lines: list[bytes], *args: Any, **given: Any) -> tuple[str, int | None]:
    with pytest.raises(Refused) as refused:
        verify_export(lines, *(args or ([KEY],)), **given)
    return refused.value.reason, refused.value.position


def rewritten(line: bytes, **changed: Any) -> bytes:
    return canonical_bytes({**parse_canonical(line.rstrip(b"\n")), **changed}) + b"\n"


def full_log() -> Log:
    """Eight events; the third has words, the fifth a document, the last one both."""
    log = Log(["plant", "hanger/H1"])
    log.add("hanger/H2", text="corroded at the clamp")
    log.add("hanger/h1")
    log.add("line/A", document=b'{"elements":[]}')
    log.add("hanger/H2")
    log.add("plant")
    log.add("hanger/H1", text="moved by 2 mm", document=b'{"elements":[1]}')
    return log


# --- what is sound ---------------------------------------------------------------------------------
@given(SUBJECTS)
def test_a_sound_export_is_summed_up(subjects: list[str]) -> None:
    log = Log(subjects)
    summary = verify_export(log.export(), [KEY])
    folded = [subject.casefold() for subject in subjects]
    assert summary.checkpoint == log.checkpoint()
    assert (summary.seal.start, summary.seal.count, summary.seal.filter) == (0, len(subjects), {})
    assert {subject: head.count for subject, head in summary.heads.items()} == {
        subject: folded.count(subject) for subject in folded
    }
    assert summary.heads[folded[-1]] == SubjectHead(folded.count(folded[-1]), leaf(log.bodies[-1]).hex())
    assert summary.log_id == LOG_ID
    assert summary.recorded_at == json.loads(log.bodies[-1])["recorded_at"]
    assert summary.in_tree
    assert summary.frontier is not None
    assert (summary.frontier.size, summary.frontier.root()) == (len(subjects), log.checkpoint().root)


def test_an_empty_log_is_sound() -> None:
    summary = verify_export(Log().export(), [KEY])
    assert (summary.seal.count, summary.log_id, summary.recorded_at, summary.in_tree) == (0, None, None, True)


def test_what_is_beside_the_events_is_verified_and_counted() -> None:
    summary = verify_export(full_log().export(), [KEY])
    assert (summary.documents, summary.texts) == (2, 2)
    summary = verify_export(full_log().export(beside=False), [KEY])
    assert (summary.documents, summary.texts) == (0, 0)


def test_erased_words_leave_no_line_and_verify() -> None:
    log = full_log()
    del log.texts[2]
    assert verify_export(log.export(), [KEY]).texts == 1


def test_lines_may_come_without_their_newlines() -> None:
    lines = [line.rstrip(b"\n") for line in full_log().export()]
    assert verify_export(lines, [KEY]).in_tree


def test_one_of_two_keys_is_enough_while_both_sign() -> None:
    lines = full_log().export(by=[signer(1), signer(2)])
    for keys in ([key_of(1)], [key_of(2)], [key_of(1), key_of(2)], [key_of(3), key_of(2)]):
        assert verify_export(lines, keys).in_tree


def test_entries_outside_plain_text_are_read_too() -> None:
    log = Log(["plant"])
    log.add("plant", {"name": "Süd", "note_of": "日本", "emoji": "\U0001f600", "\ufb33": 1, "\U0001f600": 2})
    log.add("plant", {"value": 1e-07, "whole": 68137068739038990.0, "half": 12.5, "none": 0, "more": 1e21})
    log.add("plant", {"quote": 'a"b\\c', "line": "a\nb"})
    log.add("plant", {"nested": {"id": "x", "line": "y"}, "list": [1, [2, {"id": 3}]]})
    assert verify_export(log.export(), [KEY]).in_tree


def test_an_export_without_groups_is_sound_too() -> None:
    assert verify_export(full_log().export(groups=False), [KEY]).in_tree


def test_a_range_is_tied_to_the_checkpoint_by_what_came_before() -> None:
    log = full_log()
    before = Frontier()
    for body in log.bodies[:3]:
        before.append(leaf(body))
    summary = verify_export(log.export(3), [KEY], leaves_before=before)
    assert summary.in_tree
    assert summary.frontier is not None
    assert summary.frontier.size == 8
    assert before.size == 3  # not grown by the call
    alone = verify_export(log.export(3), [KEY])
    assert not alone.in_tree
    assert alone.frontier is None


def test_a_range_that_ends_early_goes_on_later() -> None:
    log = full_log()
    first = verify_export(log.export(0, 5), [KEY])
    assert not first.in_tree
    assert first.frontier is not None
    assert first.frontier.root() == root_of(log.bodies[:5])
    assert verify_export(log.export(5), [KEY], log.checkpoint(5), first.frontier).in_tree


@given(SUBJECTS, st.data())
def test_every_beginning_of_a_log_is_borne_out(subjects: list[str], data: st.DataObject) -> None:
    log = Log(subjects)
    older = [log.checkpoint(size) for size in data.draw(st.lists(st.integers(0, len(subjects)), max_size=4))]
    assert verify_export(log.export(), [KEY], older).in_tree
    size = data.draw(st.integers(0, len(subjects)))
    before = Frontier()
    for body in log.bodies[:size]:
        before.append(leaf(body))
    assert verify_export(log.export(size), [KEY], log.checkpoint(size), before).in_tree


def test_a_filtered_export_is_what_its_seal_says() -> None:
    log = full_log()
    summary = verify_export(log.export(wanted={"hanger": "H1"}, rows=[1, 3, 7]), [KEY])
    assert (summary.in_tree, summary.frontier, summary.seal.filter) == (False, None, {"hanger": "H1"})
    assert summary.heads == {"hanger/h1": SubjectHead(3, leaf(log.bodies[7]).hex())}
    assert verify_export(log.export(wanted={"type": "x"}, rows=[0, 5]), [KEY]).seal.count == 2
    assert verify_export(log.export(2, wanted={"type": "x"}, rows=[]), [KEY]).seal.count == 0


# --- one thing done to a whole export --------------------------------------------------------------
@given(SUBJECTS, st.data())
def test_an_event_with_one_bit_turned_is_altered_there(subjects: list[str], data: st.DataObject) -> None:
    lines = Log(subjects).export()
    place = data.draw(st.integers(0, len(subjects) - 1))
    changed = bytearray(lines[place][:-1])
    bit = data.draw(st.integers(0, len(changed) * 8 - 1))
    changed[bit // 8] ^= 1 << bit % 8
    lines[place] = bytes(changed) + b"\n"
    assert refusal(lines) == ("altered", place)


@given(SUBJECTS, st.data())
def test_an_event_that_reads_well_but_says_something_else_is_altered_there(
    subjects: list[str], data: st.DataObject
) -> None:
    lines = Log(subjects).export()
    place = data.draw(st.integers(0, len(subjects) - 1))
    field, value = data.draw(
        st.sampled_from(
            [
                ("data", {"n": "other"}),
                ("sequence", 5_000),
                ("sequence", 0),
                ("sequence", "x"),
                ("subject", "hanger/H9"),
                ("previous", "00" * 32),
                ("log_id", "00" * 16),
                ("id", "x"),
                ("recorded_at", "2020-01-01T00:00:00.000000Z"),
                ("recorded_at", "2030-01-01T00:00:00.000000Z"),
                ("subject_sequence", 77),
            ]
        )
    )
    changed = rewritten(lines[place], **{field: value})
    if changed != lines[place]:
        lines[place] = changed
        assert refusal(lines) == ("altered", place)


@given(SUBJECTS, st.data())
def test_an_event_left_out_is_missing_there(subjects: list[str], data: st.DataObject) -> None:
    lines = Log(subjects).export()
    place = data.draw(st.integers(0, len(subjects) - 1))
    del lines[place]
    assert refusal(lines) == ("cut-off" if place == len(subjects) - 1 else "missing", place)


@given(SUBJECTS, st.data())
def test_an_event_given_twice_is_found_where_it_comes_again(subjects: list[str], data: st.DataObject) -> None:
    lines = Log(subjects).export()
    place = data.draw(st.integers(0, len(subjects) - 1))
    again = data.draw(st.integers(place + 1, len(subjects)))
    lines.insert(again, lines[place])
    assert refusal(lines) == ("reordered", again)


@given(SUBJECTS, st.data())
def test_events_that_changed_places_are_reordered_from_the_first(
    subjects: list[str], data: st.DataObject
) -> None:
    lines = Log([*subjects, "plant"]).export()
    first, second = sorted(
        data.draw(st.lists(st.integers(0, len(subjects)), min_size=2, max_size=2, unique=True))
    )
    lines[first], lines[second] = lines[second], lines[first]
    assert refusal(lines) == ("reordered", first)


@given(SUBJECTS, st.data(), st.booleans())
def test_a_tail_cut_off_is_found_where_it_was_cut(
    subjects: list[str], data: st.DataObject, with_trailer: bool
) -> None:
    lines = Log(subjects).export()
    kept = data.draw(st.integers(0, len(subjects) - 1))
    cut = [*lines[:kept], *lines[-1:]] if with_trailer else lines[:kept]
    assert refusal(cut) == ("cut-off", kept)
    assert refusal(lines[:-1]) == ("cut-off", len(subjects))


@given(SUBJECTS, st.data())
def test_a_file_cut_within_a_line_is_cut_off_at_that_event(subjects: list[str], data: st.DataObject) -> None:
    lines = Log(subjects).export()
    place = data.draw(st.integers(0, len(subjects) - 1))
    half = lines[place][: data.draw(st.integers(1, len(lines[place]) - 2))]
    assert refusal([*lines[:place], half]) == ("cut-off", place)


@given(SUBJECTS, st.data())
def test_a_tail_written_anew_is_altered_from_its_first_event(
    subjects: list[str], data: st.DataObject
) -> None:
    log = Log(subjects)
    place = data.draw(st.integers(0, len(subjects) - 1))
    forged = Log(subjects[:place])
    for subject in subjects[place:]:
        forged.add(subject, {"n": "forged"})
    assert refusal([*forged.export()[:-1], log.export()[-1]]) == ("altered", place)


@given(SUBJECTS, st.data())
def test_an_event_slipped_in_with_all_after_it_moved_is_altered_there(
    subjects: list[str], data: st.DataObject
) -> None:
    log = Log(subjects)
    place = data.draw(st.integers(0, len(subjects)))
    forged = Log(subjects[:place])
    forged.add("plant", {"n": "slipped in"})
    for subject in subjects[place:]:
        forged.add(subject)
    assert refusal([*forged.export()[:-1], log.export()[-1]]) == ("altered", place)


# --- keys, signatures and the trailer --------------------------------------------------------------
def test_another_key_does_not_verify() -> None:
    assert refusal(full_log().export(), [key_of(2)]) == ("wrong-key", None)
    assert refusal(full_log().export(), []) == ("wrong-key", None)
    assert refusal(full_log().export(), [key_of(1, "hangers.example/log/other")]) == ("wrong-key", None)


def test_a_log_written_anew_and_signed_by_another_key_does_not_verify() -> None:
    assert refusal(Log(["plant"]).export(by=[signer(2)])) == ("wrong-key", None)


@pytest.mark.parametrize("part", ["checkpoint", "seal"])
def test_a_signature_put_under_another_text_does_not_verify(part: str) -> None:
    lines = full_log().export()
    trailer = json.loads(lines[-1])["trailer"]
    trailer[part] = trailer[part].replace("8", "7", 1)
    lines[-1] = canonical_bytes({"trailer": trailer}) + b"\n"
    assert refusal(lines) == ("signature", None)


def test_a_trailer_of_an_earlier_export_does_not_fit() -> None:
    log = full_log()
    lines, early = log.export(), log.export(size=5)
    assert refusal([*lines[:-1], early[-1]]) == ("altered", 5)
    checkpoint = json.loads(early[-1])["trailer"]["checkpoint"]
    trailer = json.loads(lines[-1])["trailer"] | {"checkpoint": checkpoint}
    assert refusal([*lines[:-1], canonical_bytes({"trailer": trailer})]) == ("altered", None)


@pytest.mark.parametrize(
    ("trailer", "reason"),
    [
        (b'{"trailer":{}}', "malformed"),
        (b'{"trailer":[]}', "malformed"),
        (b'{"trailer":{"checkpoint":1,"seal":2}}', "malformed"),
        (b'{"trailer":{"checkpoint":"a","seal":"b"}}', "malformed"),
        (b'{"trailer":{"checkpoint":"\\ud800","seal":"b"}}', "malformed"),
        (b'{"trailer":{"checkpoint":"a"', "malformed"),
        (b'{"trailer":\xff}', "malformed"),
    ],
)
def test_a_trailer_of_another_form_is_refused(trailer: bytes, reason: str) -> None:
    assert refusal([*full_log().export()[:-1], trailer]) == (reason, None)


def test_a_part_of_the_trailer_that_is_not_known_is_refused() -> None:
    lines = full_log().export()
    trailer = json.loads(lines[-1])["trailer"]
    lines[-1] = canonical_bytes({"trailer": trailer | {"more": 1}})
    assert refusal(lines) == ("malformed", None)
    lines[-1] = canonical_bytes({"trailer": trailer, "more": 1})
    assert refusal(lines) == ("cut-off", 8)  # the line is no trailer, but stands in the place of event 8


@pytest.mark.parametrize(
    "changed",
    [
        {"rows": 2},
        {"rows": 3},
        {"rows": 0},
        {"rows": -1},
        {"rows": True},
        {"hashes": ""},
        {"hashes": "!"},
        {"hashes": base64.b64encode(bytes(256)).decode()},
        {"hashes": base64.b64encode(bytes(255)).decode()},
    ],
)
def test_groups_that_do_not_add_up_to_the_seal_are_refused(changed: dict[str, Any]) -> None:
    lines = full_log().export()
    trailer = json.loads(lines[-1])["trailer"]
    trailer["groups"] |= changed
    lines[-1] = canonical_bytes({"trailer": trailer})
    assert refusal(lines) in {("altered", None), ("malformed", None)}


def test_nothing_may_follow_the_trailer() -> None:
    lines = full_log().export()
    for more in (lines[0], lines[-1], b"\n", b'{"text":{}}\n', lines[5]):
        assert refusal([*lines, more]) == ("malformed", None)


def test_a_seal_under_the_name_of_another_log_is_refused() -> None:
    log, other = full_log(), "hangers.example/log/other"
    text = json.loads(log.export()[-1])["trailer"]["seal"].split("\n\n")[0] + "\n"
    seal = signed_note(text, other, [signer()])
    lines = [*log.export()[:-1], exports.trailer_line(log.note(), seal)]
    assert refusal(lines, [KEY, key_of(1, other)]) == ("other-log", None)


def seal_lines(**changed: str) -> str:
    stated = {
        "": f"{ORIGIN}/export",
        "size": "8",
        "from": "0",
        "count": "8",
        "root": base64.b64encode(bytes(32)).decode(),
        "filter": "{}",
    } | changed
    return "".join(f"{name} {value}\n".lstrip(" ") for name, value in stated.items())


def test_a_seal_states_what_its_lines_say() -> None:
    seal = parse_seal(seal_lines(filter='{"hanger":"H1","to":8}'))
    assert (seal.origin, seal.size, seal.start, seal.count, seal.root) == (ORIGIN, 8, 0, 8, bytes(32))
    assert (seal.filter, seal.is_range) == ({"hanger": "H1", "to": 8}, False)
    assert parse_seal(seal_lines(filter='{"to":8}')).is_range


@pytest.mark.parametrize(
    "text",
    [
        "",
        seal_lines() + "\n",
        seal_lines()[:-1],
        seal_lines(size="08"),
        seal_lines(size="-8"),
        seal_lines(size="7"),
        seal_lines(size=str(2**63)),
        seal_lines(count="9"),
        seal_lines(**{"from": "1"}),
        seal_lines(**{"from": "9", "count": "0"}),
        seal_lines(root="AA=="),
        seal_lines(root="AA"),
        seal_lines(filter="[]"),
        seal_lines(filter='{"a": 1}'),
        seal_lines(filter='{"to":7}'),
        seal_lines(filter='{"to":9}'),
        seal_lines(filter='{"to":"8"}'),
        seal_lines(filter='{"to":true}'),
        seal_lines(**{"": ORIGIN}),
        seal_lines(**{"": "/export"}),
        seal_lines().replace("from 0\n", ""),
        seal_lines().replace("count 8", "count  8"),
    ],
)
def test_a_seal_of_another_form_is_refused(text: str) -> None:
    with pytest.raises(Refused) as refused:
        parse_seal(text)
    assert refused.value.reason == "malformed"


def test_a_seal_never_reads_as_a_checkpoint_of_the_log() -> None:
    text = json.loads(full_log().export()[-1])["trailer"]["seal"].split("\n\n")[0] + "\n"
    with pytest.raises(Refused):
        verifier.parse_checkpoint(text)


# --- older checkpoints -----------------------------------------------------------------------------
@given(SUBJECTS, SUBJECTS, SUBJECTS)
def test_a_fork_is_found_by_an_older_checkpoint_of_the_other_branch(
    stem: list[str], one: list[str], other: list[str]
) -> None:
    kept, shown = Log(stem), Log(stem)
    for subject in one:
        kept.add(subject, {"n": "kept"})
    for subject in [*other, *one]:
        shown.add(subject, {"n": "shown"})
    assert refusal(shown.export(), [KEY], since=kept.checkpoint()) == ("forked", 0)
    both = [kept.checkpoint(len(stem)), kept.checkpoint()]
    assert refusal(shown.export(), [KEY], since=both) == ("forked", len(stem))
    assert verify_export(shown.export(), [KEY], kept.checkpoint(len(stem))).in_tree


def test_a_fork_is_found_in_a_part_by_what_was_kept() -> None:
    kept, shown = Log(["plant", "plant"]), Log(["plant", "line/A", "plant"])
    before = Frontier()
    for body in kept.bodies:
        before.append(leaf(body))
    assert refusal(shown.export(2), [KEY], leaves_before=before) == ("forked", 2)
    assert refusal(shown.export(2), [KEY], since=kept.checkpoint(), leaves_before=before) == ("forked", 2)
    other = Frontier()
    for body in shown.bodies[:2]:
        other.append(leaf(body))
    assert refusal(shown.export(2), [KEY], since=kept.checkpoint(), leaves_before=other) == ("forked", 2)


def test_a_log_that_ends_before_an_older_checkpoint_is_cut_off() -> None:
    log = full_log()
    assert refusal(log.export(size=5), [KEY], since=log.checkpoint(8)) == ("cut-off", 5)
    assert refusal(log.export(size=5), [KEY], since=[log.checkpoint(3), log.checkpoint(8)]) == ("cut-off", 5)


def test_an_older_checkpoint_of_another_log_is_told() -> None:
    log, other = full_log(), Log(["plant"]).checkpoint(origin="hangers.example/log/other")
    assert refusal(log.export(), [KEY], since=other) == ("other-log", None)


def test_a_file_that_cannot_be_compared_with_the_older_checkpoint_is_refused() -> None:
    log = full_log()
    assert refusal(log.export(3), [KEY], since=log.checkpoint(5)) == ("missing", 0)
    filtered = log.export(wanted={"hanger": "H1"}, rows=[1, 3, 7])
    assert refusal(filtered, [KEY], since=log.checkpoint(5)) == ("missing", 0)
    assert refusal(log.export(0, 4), [KEY], since=log.checkpoint(5)) == ("missing", 4)
    before = Frontier(2, [root_of(log.bodies[:2])])
    assert refusal(log.export(3), [KEY], leaves_before=before) == ("missing", 2)
    assert refusal(log.export(2), [KEY], since=log.checkpoint(1), leaves_before=before) == ("missing", 1)


def test_a_declared_loss_lets_the_older_name_stand_for_what_was_kept() -> None:
    """Events 0 to 2 were kept; the log goes on under another origin, of which event 3 tells."""
    renewed = f"{ORIGIN}/2"
    key = key_of(1, renewed)
    kept = Log(["plant", "hanger/H1", "hanger/H2", "hanger/H1", "line/A"])
    log = Log(["plant", "hanger/H1", "hanger/H2"])
    log.add("plant", {"origin": ORIGIN, "size": 3, "new_origin": renewed}, type="loss-declared")
    log.add("hanger/H1")
    lines = log.export(origin=renewed)
    assert verify_export(lines, [key], [kept.checkpoint(2), kept.checkpoint(3)]).in_tree
    assert refusal(lines, [key], since=kept.checkpoint(5)) == ("cut-off", 3)
    forked = Log(["plant", "line/A", "plant"]).checkpoint()
    assert refusal(lines, [key], since=forked) == ("forked", 0)
    other = Log(["plant"]).checkpoint(origin="hangers.example/log/other")
    assert refusal(lines, [key], since=other) == ("other-log", None)
    assert refusal(kept.export(origin=renewed), [key], since=kept.checkpoint(3)) == ("other-log", None)


# --- where only a root disagrees -------------------------------------------------------------------
def tampered(log: Log, place: int, **form: Any) -> list[bytes]:
    lines = log.export(**form)
    lines[place] = rewritten(lines[place], data={"n": "other"})
    return lines


@given(SUBJECTS, st.data())
def test_without_groups_the_range_that_cannot_be_vouched_for_is_named(
    subjects: list[str], data: st.DataObject
) -> None:
    log = Log(subjects)
    place = data.draw(st.integers(0, len(subjects) - 1))
    lines = tampered(log, place, groups=False)
    assert refusal(lines) == ("altered", 0)
    older = sorted(data.draw(st.lists(st.integers(0, len(subjects)), max_size=4, unique=True)))
    vouched = max((size for size in older if size <= place), default=0)
    assert refusal(lines, [KEY], since=[log.checkpoint(size) for size in older]) == ("altered", vouched)


def test_the_range_is_told_in_words() -> None:
    log = Log(["plant"] * 9)
    lines = tampered(log, 4, groups=False)
    with pytest.raises(Refused, match="From here up to 8"):
        verify_export(lines, [KEY])
    with pytest.raises(Refused, match="From here up to 5") as refused:
        verify_export(lines, [KEY], [log.checkpoint(3), log.checkpoint(6)])
    assert refused.value.position == 3


@settings(max_examples=60)
@given(st.integers(1, 40), st.data())
def test_wide_groups_narrow_the_range(count: int, data: st.DataObject) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(verifier, "MOST_GROUPS", 8)
        log = Log(["plant"] * count)
        tally = RowTally()
        for body in log.bodies:
            tally.append(leaf(body))
        width = next(w for w in (1, 2, 4, 8) if count < 8 * w)
        assert tally.width == width
        place = data.draw(st.integers(0, count - 1))
        assert refusal(tampered(log, place)) == ("altered", place // width * width)
        lines = log.export()
        del lines[place]
        assert refusal(lines) == ("cut-off" if place == count - 1 else "missing", place)


@given(st.integers(0, 70), st.integers(0, 70))
def test_a_tally_gives_the_tree_over_its_rows_however_it_is_fed(first: int, second: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(verifier, "MOST_GROUPS", 4)
        leaves = [leaf(str(number).encode()) for number in range(first + second)]
        tally = RowTally()
        for each in leaves[:first]:
            tally.append(each)
        tally.extend(leaves[first:])
        assert (tally.size, tally.root()) == (len(leaves), tree_hash(leaves))
        assert tally.groups() == [
            tree_hash(leaves[place : place + tally.width]) for place in range(0, len(leaves), tally.width)
        ]
        assert len(tally.groups()) <= 4
        frontier = Frontier()
        for each in leaves:
            frontier.append(each)
        assert tally.frontier().hashes == frontier.hashes


# --- filtered rows ---------------------------------------------------------------------------------
ROWS = [1, 3, 4, 7, 9, 12]


def filtered(**form: Any) -> list[bytes]:
    return Log(["plant", "hanger/H1"] * 8).export(wanted={"type": "x"}, rows=ROWS, **form)


@pytest.mark.parametrize("row", range(len(ROWS)))
def test_a_filtered_row_is_found_at_the_event_it_is(row: int) -> None:
    lines = filtered()
    lines[row] = rewritten(lines[row], data={"n": "other"})
    assert refusal(lines) == ("altered", ROWS[row])


@pytest.mark.parametrize("row", range(len(ROWS)))
def test_a_filtered_row_left_out_is_missing_behind_the_one_before_it(row: int) -> None:
    lines = filtered()
    del lines[row]
    expected = ROWS[row - 1] + 1 if row else 0
    assert refusal(lines) == ("missing", expected)


def test_filtered_rows_that_changed_places_or_came_twice_are_reordered() -> None:
    lines = filtered()
    lines[2], lines[4] = lines[4], lines[2]
    assert refusal(lines) == ("reordered", ROWS[1] + 1)
    lines = filtered()
    lines.insert(4, lines[1])
    assert refusal(lines) == ("reordered", ROWS[3] + 1)


def test_a_row_added_to_filtered_ones_is_altered() -> None:
    log = Log(["plant", "hanger/H1"] * 8)
    lines = filtered()
    lines.insert(3, log.bodies[5] + b"\n")
    assert refusal(lines) == ("altered", 5)
    lines = filtered()
    lines.insert(6, log.bodies[15] + b"\n")
    assert refusal(lines) == ("altered", 15)


def test_filtered_rows_cut_off_with_their_trailer_are_cut_off_behind_the_last() -> None:
    assert refusal(filtered()[:4]) == ("cut-off", ROWS[3] + 1)


def test_a_filtered_row_that_cannot_be_read_is_altered_behind_the_one_before_it() -> None:
    lines = filtered()
    lines[3] = b"{}\n"
    assert refusal(lines) == ("altered", ROWS[2] + 1)


# --- documents and words ---------------------------------------------------------------------------
def beside(change: Callable[[dict[str, Any]], None], kind: str, number: int = 0) -> list[bytes]:
    """The full export with one of the lines beside its events changed."""
    lines = full_log().export()
    place = [at for at, line in enumerate(lines) if line.startswith(f'{{"{kind}":'.encode())][number]
    content = json.loads(lines[place])
    change(content[kind])
    lines[place] = json.dumps(content).replace(": ", ":", 1).encode() + b"\n"
    return lines


def encoded(content: bytes) -> str:
    return base64.b64encode(content).decode()


@pytest.mark.parametrize(
    "changed",
    [
        {"base64": encoded(b'{"elements":[2]}')},
        {"base64": "!"},
        {"base64": None},
        {"sha256": "00" * 32},
        {"media_type": "text/plain"},
    ],
)
@pytest.mark.parametrize(("number", "position"), [(0, 4), (1, 7)])
def test_a_document_that_is_not_the_one_named_is_found(
    changed: dict[str, Any], number: int, position: int
) -> None:
    assert refusal(beside(lambda each: each.update(changed), "document", number)) == ("document", position)


@pytest.mark.parametrize(
    "changed",
    [
        {"text": "corroded at the rod"},
        {"text": 1},
        {"salt": "00" * 32},
        {"salt": "x"},
        {"salt": SALT.hex().upper()},
        {"salt": None},
        {"field": "reason"},
        {"field": "n"},
        {"sequence": 3},
        {"sequence": True},
    ],
)
@pytest.mark.parametrize(("number", "position"), [(0, 2), (1, 7)])
def test_words_that_are_not_the_ones_recorded_are_found(
    changed: dict[str, Any], number: int, position: int
) -> None:
    assert refusal(beside(lambda each: each.update(changed), "text", number)) == ("text", position)


def test_a_document_left_out_among_others_is_found_at_its_event() -> None:
    lines = full_log().export()
    del lines[next(at for at, line in enumerate(lines) if line.startswith(b'{"document":'))]
    assert refusal(lines) == ("document", 4)


def test_a_document_named_twice_is_carried_once() -> None:
    log = Log()
    for _ in range(2):
        log.add("line/A", document=b"[]")
    lines = log.export()
    del lines[3]
    assert verify_export(lines, [KEY]).documents == 1


def test_lines_that_follow_another_event_are_found_there() -> None:
    lines = full_log().export()
    text = next(line for line in lines if line.startswith(b'{"text":'))
    lines.remove(text)
    assert refusal([text, *lines]) == ("text", 0)
    assert refusal([*lines[:2], text, *lines[2:]]) == ("text", 1)
    document = next(line for line in lines if line.startswith(b'{"document":'))
    assert refusal([document, *lines]) == ("document", 0)


def test_words_given_twice_are_refused() -> None:
    lines = full_log().export()
    place = next(at for at, line in enumerate(lines) if line.startswith(b'{"text":'))
    assert refusal([*lines[:place], lines[place], *lines[place:]]) == ("text", 2)


def test_a_name_that_stands_twice_in_a_line_beside_is_refused() -> None:
    lines = full_log().export()
    place = next(at for at, line in enumerate(lines) if line.startswith(b'{"text":'))
    lines[place] = lines[place].replace(b'"sequence":2', b'"sequence":1,"sequence":2')
    assert refusal(lines) == ("text", 2)


def test_the_first_of_several_bad_places_is_named() -> None:
    lines = beside(lambda each: each.update(text="other"), "text", 0)
    assert refusal(lines) == ("text", 2)
    lines[0] = rewritten(lines[0], data={})
    assert refusal(lines) == ("altered", 0)
    lines = beside(lambda each: each.update(text="other"), "text", 1)
    lines[1] = rewritten(lines[1], data={})
    assert refusal(lines) == ("altered", 1)
    lines = beside(lambda each: each.update(text="other"), "text", 0)
    last = next(at for at, line in enumerate(lines) if b'"sequence":6' in line)
    lines[last] = rewritten(lines[last], data={})
    assert refusal(lines) == ("text", 2)


# --- what the service itself signed, but must not have recorded ------------------------------------
def signed_fault(place: int, **changed: Any) -> list[bytes]:
    """A whole export, truly signed, of a log in which one event states something that it must not."""
    log = Log(["plant", "hanger/H1", "hanger/H2"])
    log.add("hanger/H1", **changed)
    log.add("plant")
    assert place == 3
    return log.export()


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"sequence": 4}, "chain"),
        ({"sequence": 2}, "chain"),
        ({"sequence": None}, "chain"),
        ({"sequence": True}, "chain"),
        ({"log_id": "00" * 16}, "other-log"),
        ({"log_id": None}, "other-log"),
        ({"id": "019df192-7300-7a3c-9c41-000000000000"}, "chain"),
        ({"id": 7}, "chain"),
        ({"recorded_at": "2026-05-04T06:31:07.000001Z"}, "chain"),
        ({"recorded_at": None}, "chain"),
        ({"subject": None}, "chain"),
        ({"subject": "hanger/H2"}, "chain"),
        ({"subject_sequence": 0, "previous": None}, "chain"),
        ({"subject_sequence": 2}, "chain"),
        ({"subject_sequence": -1}, "chain"),
        ({"subject_sequence": True}, "chain"),
        ({"previous": "00" * 32}, "chain"),
        ({"previous": None}, "chain"),
        ({"subject": "hanger/H9", "subject_sequence": 1}, "chain"),
    ],
)
def test_entries_that_contradict_each_other_are_found_though_they_are_signed(
    changed: dict[str, Any], reason: str
) -> None:
    assert refusal(signed_fault(3, **changed)) == (reason, 3)


SPOILT = {
    "a name twice": (b'"n":3', b'"n":3,"n":3'),
    "a space": (b'"n":3', b'"n": 3'),
    "a fraction of none": (b'"n":3', b'"n":3.0'),
    "minus nothing": (b'"n":3', b'"n":-0'),
    "an exponent of its own": (b'"n":3', b'"n":1E2'),
    "an infinity": (b'"n":3', b'"n":1e400'),
    "no number": (b'"n":3', b'"n":NaN'),
    "more than a double tells apart": (b'"n":3', b'"n":9007199254740993'),
    "a letter escaped": (b'"n":3', b'"n":"\\u0041"'),
    "half a letter": (b'"n":3', b'"n":"\\ud800"'),
    "no UTF-8": (b'"n":3', b'"n":"\xc3"'),
    "a control character": (b'"n":3', b'"n":"\x01"'),
    "no object as data, and a space": (b'{"n":3}', b"[3 ]"),
    "the data twice": (b'{"n":3}', b'{"n":3},"data":{"n":4}'),
    "a name of the frame twice": (b'"role":"recorder"', b'"role":"recorder","role":"reader"'),
    "a letter of the frame escaped": (b'"role":"recorder"', b'"role":"\\u0072ecorder"'),
    "a number of the frame with a zero before it": (b'"corrects":null', b'"corrects":01'),
    "a space behind": (b'"hanger-inspected"}', b'"hanger-inspected"} '),
    "a space before": (b'{"actor"', b' {"actor"'),
    "no end": (b'"hanger-inspected"}', b'"hanger-inspected"'),
}


@pytest.mark.parametrize(("old", "new"), SPOILT.values(), ids=SPOILT)
def test_an_entry_that_is_not_canonical_is_found_though_it_is_signed(old: bytes, new: bytes) -> None:
    log = Log(["plant", "hanger/H1", "hanger/H2", "line/A", "line/B"])
    spoilt = log.bodies[3].replace(old, new)
    assert spoilt != log.bodies[3]
    log.bodies[3] = spoilt
    assert refusal(log.export()) == ("malformed", 3)


@pytest.mark.parametrize("body", [b"", b"[]", b"null", b"[" * 60_000, b'{"a":' * 60_000], ids=range(5))
def test_an_entry_that_is_no_object_is_found_though_it_is_signed(body: bytes) -> None:
    log = Log(["plant", "hanger/H1", "hanger/H2", "line/A", "line/B"])
    log.bodies[3] = body
    assert refusal(log.export()) == ("malformed", 3)


def test_bytes_of_two_entries_that_agree_only_together_are_found() -> None:
    """Each text is compared with its own document: two faults do not make up for each other."""
    log = Log(["plant", "hanger/H1", "hanger/H2"])
    log.bodies[1] = log.bodies[1].replace(b'"data":{"n":1}', b'"data":{"n":1},{"n":1}')
    assert refusal(log.export()) == ("malformed", 1)
    log = Log(["plant", "hanger/H1", "hanger/H2"])
    log.bodies[0] = log.bodies[0].replace(b'"data":{"n":0}', b'"data":1')
    log.bodies[1] = log.bodies[1].replace(b'"data":{"n":1}', b'"data":[1 ]')
    assert refusal(log.export()) == ("malformed", 1)


def test_a_range_may_begin_within_histories_but_leaves_nothing_out() -> None:
    log = Log(["plant", "hanger/H1", "hanger/H1", "plant", "hanger/H1"])
    assert verify_export(log.export(2), [KEY]).seal.count == 3
    gap = Log(["plant", "hanger/H1", "hanger/H1"])
    gap.add("hanger/H1", subject_sequence=5)
    assert refusal(gap.export(1)) == ("chain", 3)


def test_one_hangers_history_has_no_gap_though_it_is_signed() -> None:
    log = Log(["hanger/H1", "plant", "hanger/H1", "plant", "hanger/H1"])
    wanted = {"hanger": "H1"}
    assert verify_export(log.export(wanted=wanted, rows=[0, 2, 4]), [KEY]).seal.count == 3
    assert refusal(log.export(wanted=wanted, rows=[0, 4])) == ("chain", 4)
    assert refusal(log.export(wanted=wanted, rows=[2, 4])) == ("chain", 2)
    assert verify_export(log.export(2, wanted=wanted, rows=[2, 4]), [KEY]).seal.count == 2
    more = wanted | {"type": "x"}
    assert verify_export(log.export(wanted=more, rows=[0, 4]), [KEY]).seal.count == 2


def test_a_seal_over_fewer_rows_than_the_range_has_is_found() -> None:
    log = full_log()
    assert refusal(log.export(rows=range(7))) == ("missing", 7)
    assert refusal(log.export(0, 6, rows=range(5))) == ("missing", 5)


def test_a_filtered_seal_over_rows_outside_the_log_or_out_of_order_is_found() -> None:
    log = full_log()
    assert refusal(log.export(wanted={"type": "x"}, rows=[1, 7], size=7)) == ("chain", 7)
    assert refusal(log.export(wanted={"type": "x"}, rows=[3, 1])) == ("chain", 1)
    assert refusal(log.export(2, wanted={"type": "x"}, rows=[1, 3])) == ("chain", 1)


def test_a_checkpoint_over_other_events_than_the_seal_is_a_fork() -> None:
    log, other = full_log(), Log(["plant"] * 8)
    trailer = json.loads(log.export()[-1])["trailer"] | {"checkpoint": other.note().decode()}
    lines = [*log.export()[:-1], canonical_bytes({"trailer": trailer})]
    assert refusal(lines) == ("forked", 0)
    assert refusal(lines, [KEY], since=log.checkpoint(5)) == ("forked", 5)
