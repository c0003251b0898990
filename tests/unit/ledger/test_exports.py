"""An export is verified line by line: whatever was done to it is named, with the first bad position."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.ledger import verifier
from service.ledger.verifier import (
    Frontier,
    Refused,
    RowTally,
    SubjectHead,
    verify_export,
)
from tests.unit.ledger.sample_log import (
    KEY,
    LOG_ID,
    SUBJECTS,
    Log,
    full_log,
    key_of,
    leaf,
    refusal,
    rewritten,
    root_of,
    signer,
    tree_hash,
)


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


def test_without_a_trailer_an_unreadable_line_before_the_end_is_named_itself() -> None:
    lines = Log(["plant"] * 6).export()[:-1]
    assert refusal([*lines[:2], b"{}x\n", *lines[3:]]) == ("malformed", 2)
    assert refusal([*lines[:5], b"{}x\n"]) == ("cut-off", 5)


@pytest.mark.parametrize("place", [0, 254, 255, 256, 257, 511, 512, 599])
def test_a_long_export_is_read_to_its_end(place: int) -> None:
    log = Log(["plant", "hanger/H1", "hanger/H2"] * 200)
    lines = log.export()
    assert verify_export(lines, [KEY], log.checkpoint(place)).in_tree
    lines[place] = rewritten(lines[place], data={"n": "other"})
    assert refusal(lines) == ("altered", place)
    del lines[place]
    assert refusal(lines) == ("cut-off" if place == 599 else "missing", place)


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


def test_wider_groups_of_a_file_with_more_rows_are_compared_with_the_signed_ones() -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(verifier, "MOST_GROUPS", 8)
        log = Log(["plant"] * 7)  # in groups of 1; with two rows more, in groups of 2
        lines = tampered(log, 5)
        more = [rewritten(lines[6], sequence=place) for place in (7, 8)]
        assert refusal([*lines[:7], *more, lines[7]]) == ("altered", 4)


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
