"""The end of an export binds it: keys, signatures, the seal, and older checkpoints."""

from __future__ import annotations

import base64
import json
from typing import Any

import pytest
from hypothesis import given

from service.canonical import canonical_bytes
from service.ledger import exports, verifier
from service.ledger.notes import signed_note
from service.ledger.verifier import (
    Frontier,
    Refused,
    parse_seal,
    verify_export,
)
from tests.unit.ledger.sample_log import (
    KEY,
    ORIGIN,
    SUBJECTS,
    Log,
    full_log,
    key_of,
    leaf,
    refusal,
    root_of,
    signer,
)


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


def test_a_checkpoint_and_a_seal_of_two_logs_do_not_belong_together() -> None:
    log, other = full_log(), "hangers.example/log/other"
    seal = json.loads(log.export(origin=other)[-1])["trailer"]["seal"]
    lines = [*log.export()[:-1], exports.trailer_line(log.note(), seal.encode())]
    assert refusal(lines, [KEY, key_of(1, other)]) == ("altered", None)


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


def test_two_older_checkpoints_of_one_size_cannot_both_be_borne_out() -> None:
    kept, shown = Log(["plant", "plant", "plant"]), Log(["plant", "line/A", "plant"])
    older = [shown.checkpoint(1), shown.checkpoint(3), kept.checkpoint(3)]
    for each in (older, older[::-1]):
        assert refusal(shown.export(), [KEY], since=each) == ("forked", 1)


def test_a_later_checkpoint_that_is_borne_out_does_not_heal_a_fork() -> None:
    kept, shown = Log(["plant", "plant", "plant"]), Log(["plant", "line/A", "plant", "plant"])
    assert refusal(shown.export(), [KEY], since=[kept.checkpoint(2), shown.checkpoint(3)]) == ("forked", 0)
    older = [shown.checkpoint(1), kept.checkpoint(2), kept.checkpoint(3), shown.checkpoint(4)]
    assert refusal(shown.export(), [KEY], since=older) == ("forked", 1)
    with pytest.raises(Refused, match="of 2 events"):
        verify_export(shown.export(), [KEY], older)


def test_older_checkpoints_that_come_one_by_one_must_come_by_rising_size() -> None:
    log = full_log()
    assert verify_export(log.export(), [KEY], map(log.checkpoint, (0, 3, 3, 8))).in_tree
    assert refusal(log.export(), [KEY], since=map(log.checkpoint, (4, 3))) == ("malformed", None)


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
