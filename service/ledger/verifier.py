"""Verifies what a log gave away, without the service: exports, receipts, checkpoints and backups.

This file stands alone. It needs Python 3.11 and the package `cryptography`, and nothing of the
service, so that a copy of it can be kept with the files that it shall verify one day. That is why it
is one long file; the service's own modules import from it and have no second version of what it does.

    python verifier.py FILE --key KEY [--key KEY ...] [--since CHECKPOINT ...] [--entry FILE]

KEY is a verifier key (NAME+ID+KEY, C2SP signed-note) or a file with one on each line. Nothing is
believed but what a signature by one of these keys covers. Exit status: 0 verified, 1 refused (the
first bad position and what is wrong with it are printed), 2 called wrongly.

Open standards: RFC 9162 section 2.1 (tree and proofs), C2SP signed-note, tlog-checkpoint and
tlog-proof, RFC 8032 (Ed25519), RFC 8785 (canonical JSON).
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import json
import math
import re
import struct
import sys
import zipfile
import zlib
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, Final, TypeVar

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

LEAF_PREFIX: Final = b"\x00"
NODE_PREFIX: Final = b"\x01"
HASH_BYTES: Final = 32
EMPTY_ROOT: Final = hashlib.sha256(b"").digest()
"""Root of a tree without leaves: SHA-256 of nothing (RFC 9162, section 2.1.1)."""

GREATEST_SIZE: Final = 2**63 - 1
GREATEST_NOTE: Final = 1_000_000  # bytes
MOST_SIGNATURES: Final = 64
RECEIPT_MARK: Final = "c2sp.org/tlog-proof@v1"
ED25519: Final = b"\x01"  # signature type of C2SP signed-note

EXPORT_SUFFIX: Final = "/export"  # makes the seal's first line one that no checkpoint of the log has
MOST_GROUPS: Final = 4_096
_BATCH: Final = 256  # entries read at a time

_COUNT = re.compile(r"0|[1-9][0-9]{0,18}")
_CONTROL = re.compile("[\x00-\x09\x0b-\x1f\ud800-\udfff]")
_SEAL = re.compile(
    r"([^\n]+)/export\nsize ([0-9]+)\nfrom ([0-9]+)\ncount ([0-9]+)\nroot (\S+)\nfilter ([^\n]+)\n"
)
_SALT = re.compile(r"[0-9a-f]{64}")  # of one length: else words could be moved into it, or out of it
_RECEIPT = RECEIPT_MARK.encode("ascii")
_BESIDE = (b'{"document":', b'{"text":', b'{"trailer":')
# The canonical form of an event in plain ASCII, before its data and behind them: names in their order.
_TEXT, _NUMBER = r'"([ !#-\[\]-~]*)"', r"(0|[1-9][0-9]{0,14})"
_NO_TEXT, _NO_NUMBER = _TEXT.replace("(", "").replace(")", ""), r"(?:0|[1-9][0-9]{0,14})"
_BEFORE_DATA = re.compile(
    rf'\{{"actor":{_NO_TEXT},"client_event_id":(?:null|{_NO_TEXT}),"corrects":(?:null|{_NO_NUMBER}),"data":'
)
_BEHIND_DATA = re.compile(
    rf',"id":{_TEXT},"line":(?:null|{_NO_TEXT}),"log_id":{_TEXT},"occurred_at":{_NO_TEXT}'
    rf',"performed_by":{_NO_TEXT},"previous":(?:null|{_TEXT}),"recorded_at":{_TEXT},"request_id":{_NO_TEXT}'
    rf',"role":{_NO_TEXT},"schema_version":{_NO_NUMBER},"sequence":{_NUMBER},"subject":{_TEXT}'
    rf',"subject_sequence":{_NUMBER},"type":{_TEXT}\}}'
)

_ZIP_METHODS = {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}
_ZIP_FAULTS = (
    zipfile.BadZipFile, zlib.error, struct.error, EOFError, KeyError, NotImplementedError, RuntimeError,
    UnicodeDecodeError,
)  # fmt: skip

_Kind = TypeVar("_Kind")
_Entry = tuple["Facts | Refused", Any, Any]  # what it states, or why it cannot be read; data; type
_Evidence = tuple[int, str, str]  # row from 0, reason, detail
_Groups = tuple[int, list[bytes]]  # rows of a group, tree hash of each


class Refused(ValueError):
    """What was to be verified is not as it should be.

    reason: `altered` (bytes contradict a hash or a signed root), `missing`, `reordered`, `cut-off`,
    `forked` (an older checkpoint is no beginning of the log), `chain` (entries contradict each
    other), `other-log`, `document`, `text`, `wrong-key`, `signature` or `malformed`.
    position: the first place in the log that is bad or cannot be vouched for; None where there is none.
    """

    def __init__(self, reason: str, detail: str, position: int | None = None) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail
        self.position = position


# --- the tree (RFC 9162, section 2.1) ----------------------------------------------------------------------
def leaf_hash(body: bytes) -> bytes:
    """SHA-256(0x00 || body), 32 bytes: the hash of one entry. Source: RFC 9162, section 2.1.1."""
    return hashlib.sha256(LEAF_PREFIX + body).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """SHA-256(0x01 || left || right), 32 bytes: the hash over two subtrees.

    Source: RFC 9162, section 2.1.1.

    Raises:
        ValueError: a side is not 32 bytes long, so that it is no hash of this tree.
    """
    if len(left) != HASH_BYTES or len(right) != HASH_BYTES:
        raise ValueError("a node joins two hashes of 32 bytes")
    return hashlib.sha256(NODE_PREFIX + left + right).digest()


class Frontier:
    """The right edge of a growing tree: the roots of the full subtrees that its size falls into.

    size: leaves so far. hashes: from the largest subtree to the smallest, one for each bit set in size.
    """

    __slots__ = ("_hashes", "size")

    def __init__(self, size: int = 0, hashes: Iterable[bytes] = ()) -> None:
        self.size = size
        self._hashes = list(hashes)
        if size < 0 or len(self._hashes) != size.bit_count():
            raise ValueError("a frontier has one hash for each bit set in its size")
        if any(len(each) != HASH_BYTES for each in self._hashes):
            raise ValueError("a frontier is made of hashes of 32 bytes")

    @property
    def hashes(self) -> tuple[bytes, ...]:
        """Roots of the full subtrees, the largest first."""
        return tuple(self._hashes)

    def append(self, leaf: bytes) -> list[tuple[int, int, bytes]]:
        """Takes in the next leaf's hash.

        Returns:
            (level, position, hash) of each full subtree of 256**level leaves, level >= 1, that this
            leaf completes; empty for most leaves
        """
        completed: list[tuple[int, int, bytes]] = []
        node, height, below = leaf, 0, self.size
        while below & 1:
            node = hashlib.sha256(NODE_PREFIX + self._hashes.pop() + node).digest()
            height, below = height + 1, below >> 1
            if not height & 7:
                completed.append((height >> 3, below, node))
        self._hashes.append(node)
        self.size += 1
        return completed

    def root(self) -> bytes:
        """Root hash of the tree, 32 bytes."""
        if not self._hashes:
            return EMPTY_ROOT
        *rest, node = self._hashes
        for left in reversed(rest):
            node = node_hash(left, node)
        return node

    def as_bytes(self) -> bytes:
        """The hashes one after the other."""
        return b"".join(self._hashes)

    @classmethod
    def from_bytes(cls, size: int, data: bytes) -> Frontier:
        """The frontier that `as_bytes` wrote. Raises ValueError when the bytes do not fit the size."""
        return cls(size, (data[place : place + HASH_BYTES] for place in range(0, len(data), HASH_BYTES)))

    def copy(self) -> Frontier:
        """Another frontier that grows apart from this one."""
        return Frontier(self.size, self._hashes)


def root_from_inclusion(leaf: bytes, index: int, size: int, proof: Sequence[bytes]) -> bytes:
    """The root that an inclusion proof leads to. Source: RFC 9162, section 2.1.3.2.

    Args:
        leaf: leaf hash; index: its place from 0; size: leaves of the tree; proof: from the sibling up

    Raises:
        Refused: `altered`, position `index`: no such leaf in such a tree, or a proof of another length
    """
    if not 0 <= index < size:
        raise Refused("altered", f"A tree of {size} entries has no entry {index}.", index)
    if any(len(each) != HASH_BYTES for each in (leaf, *proof)):
        raise Refused("altered", "The inclusion proof is not made of hashes.", index)
    node, place, last = leaf, index, size - 1
    for sibling in proof:
        if last == 0:
            raise Refused("altered", "The inclusion proof is too long for its place.", index)
        if place & 1 or place == last:
            node = node_hash(sibling, node)
            while place and not place & 1:
                place, last = place >> 1, last >> 1
        else:
            node = node_hash(node, sibling)
        place, last = place >> 1, last >> 1
    if last != 0:
        raise Refused("altered", "The inclusion proof is too short for its place.", index)
    return node


def verify_inclusion(leaf: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes) -> None:
    """Checks that a leaf is in a tree. Source: RFC 9162, section 2.1.3.2.

    Args:
        leaf: leaf hash; index: its place from 0; size: leaves of the tree; proof: from the sibling up;
            root: of the tree

    Raises:
        Refused: `altered`, position `index`
    """
    if root_from_inclusion(leaf, index, size, proof) != root:
        raise Refused("altered", f"Entry {index} is not in the tree of {size} entries.", index)


def verify_consistency(
    first: int, first_root: bytes, second: int, second_root: bytes, proof: Sequence[bytes]
) -> None:
    """Checks that a tree is the beginning of a larger one. Source: RFC 9162, section 2.1.4.2.

    Args:
        first, second: leaves of the two trees; first_root, second_root: their roots; proof: empty for
            equal sizes and from the empty tree on

    Raises:
        Refused: `cut-off` (position `second`) when the second tree is the smaller one, else `forked`
            (position 0: no place in the first tree can be vouched for)
    """
    forked = Refused("forked", f"The tree of {first} entries is no beginning of the one of {second}.", 0)
    if first > second or first < 0:
        raise Refused("cut-off", f"The tree ends at {second}, before the {first} entries it had.", second)
    if first in {0, second}:
        wrong = first == 0 and first_root != EMPTY_ROOT
        if proof or wrong or (first == second and first_root != second_root):
            raise forked
        return
    path = list(proof)
    if first & (first - 1) == 0:
        path.insert(0, first_root)
    if not path or any(len(each) != HASH_BYTES for each in path):
        raise forked
    place, last = first - 1, second - 1
    while place & 1:
        place, last = place >> 1, last >> 1
    old = new = path[0]
    for sibling in path[1:]:
        if last == 0:
            raise forked
        if place & 1 or place == last:
            old, new = node_hash(sibling, old), node_hash(sibling, new)
            while place and not place & 1:
                place, last = place >> 1, last >> 1
        else:
            new = node_hash(new, sibling)
        place, last = place >> 1, last >> 1
    if last != 0 or old != first_root or new != second_root:
        raise forked


# --- notes and keys (C2SP signed-note) ---------------------------------------------------------------------
@dataclass(frozen=True)
class VerifierKey:
    """An Ed25519 public key under the name by which it signs. public_key: 32 bytes (RFC 8032)."""

    name: str
    public_key: bytes

    @property
    def key_id(self) -> bytes:
        """First 4 bytes of SHA-256(name || 0x0A || 0x01 || public key)."""
        return hashlib.sha256(self.name.encode("utf-8") + b"\n" + ED25519 + self.public_key).digest()[:4]

    def __str__(self) -> str:
        """The key as text: NAME+ID+KEY."""
        return f"{self.name}+{self.key_id.hex()}+{base64.b64encode(ED25519 + self.public_key).decode()}"

    @classmethod
    def parse(cls, vkey: str) -> VerifierKey:
        """The key that NAME+ID+KEY states. Raises Refused (`malformed`), also for an id not its own."""
        name, _, rest = vkey.partition("+")
        key_id, _, encoded = rest.partition("+")
        material = unbase64(encoded, "The key")
        if material[:1] != ED25519 or len(material) != 1 + HASH_BYTES:
            raise Refused("malformed", "The key is not an Ed25519 key.")
        key = cls(name, material[1:])
        if not is_key_name(name) or key_id != key.key_id.hex():
            raise Refused("malformed", "The key's name and bytes do not give the id that it states.")
        return key

    def under(self, name: str) -> VerifierKey:
        """The same public key under another name."""
        return VerifierKey(name, self.public_key)

    def verifies(self, signature: bytes, text: str) -> bool:
        """Whether this key made the signature over the text."""
        try:
            Ed25519PublicKey.from_public_bytes(self.public_key).verify(signature, text.encode("utf-8"))
        except (InvalidSignature, ValueError):
            return False
        return True


@dataclass(frozen=True)
class Signature:
    """One signature line. key_id: 4 bytes. signature: what follows them."""

    name: str
    key_id: bytes
    signature: bytes


@dataclass(frozen=True)
class Note:
    """A note: its text with the newline at its end, and its signature lines in their order."""

    text: str
    signatures: tuple[Signature, ...]


def note_text_fault(text: str) -> str | None:
    """Why a note may not have this text; None when it may."""
    if not text.endswith("\n"):
        return "a note's text ends in a newline"
    if _CONTROL.search(text) is not None:
        return "a note holds no control characters but newlines"
    return None


def parse_note(data: bytes) -> Note:
    """The note that bytes state, its signatures unverified: nothing in it may be believed yet.

    Raises:
        Refused: `malformed`
    """
    if len(data) > GREATEST_NOTE:
        raise Refused("malformed", "The note is too long.")
    try:
        whole = data.decode("utf-8")
    except UnicodeDecodeError:
        raise Refused("malformed", "The note is not UTF-8.") from None
    above, blank, below = whole.rpartition("\n\n")
    lines = below.split("\n")[:-1]
    if not blank or not lines or note_text_fault(whole) is not None:
        raise Refused("malformed", "The note is not a text, an empty line and signature lines.")
    if len(lines) > MOST_SIGNATURES:
        raise Refused("malformed", "The note has too many signatures.")
    return Note(above + "\n", tuple(_signature(line) for line in lines))


def open_note(data: bytes, keys: Iterable[VerifierKey]) -> Note:
    """The note with those of its signatures that known keys made; lines of others are left out.

    Raises:
        Refused: `malformed`; `signature` when one that bears a known key's name and id does not verify;
            `wrong-key` when none is by a known key
    """
    known = {(key.name, key.key_id): key for key in keys}
    note = parse_note(data)
    verified: dict[tuple[str, bytes], Signature] = {}
    for signature in note.signatures:
        by = (signature.name, signature.key_id)
        if by in known:
            if not known[by].verifies(signature.signature, note.text):
                raise Refused("signature", f"The signature by {signature.name} does not fit the text.")
            verified.setdefault(by, signature)
    if not verified:
        names = ", ".join(sorted({signature.name for signature in note.signatures}))
        raise Refused("wrong-key", f"No signature is by a known key; the note bears {names}.")
    return Note(note.text, tuple(verified.values()))


def _signature(line: str) -> Signature:
    mark, _, rest = line.partition(" ")
    name, _, encoded = rest.partition(" ")
    if mark != "—" or not is_key_name(name):
        raise Refused("malformed", "A signature line is not of its form.")
    data = unbase64(encoded, "A signature")
    if len(data) < 5:
        raise Refused("malformed", "A signature is too short.")
    return Signature(name, data[:4], data[4:])


def is_key_name(name: str) -> bool:
    """Whether a key may have this name: not empty, no spaces and no plus sign."""
    return bool(name) and "+" not in name and not any(each.isspace() for each in name)


def unbase64(text: str, what: str) -> bytes:
    """The bytes that Base 64 (RFC 4648, section 4) states in its one form; `what` is for the message.

    Raises:
        Refused: `malformed`
    """
    try:
        data = base64.b64decode(text.encode("ascii"), validate=True)
    except ValueError:
        data = None
    if data is None or base64.b64encode(data).decode("ascii") != text:
        raise Refused("malformed", f"{what} is not Base 64.")
    return data


# --- checkpoints (C2SP tlog-checkpoint) --------------------------------------------------------------------
@dataclass(frozen=True)
class Checkpoint:
    """What a log signed: its name, how many entries it had, and the root of the tree over them."""

    origin: str
    size: int
    root: bytes
    extensions: tuple[str, ...] = ()


def parse_checkpoint(text: str) -> Checkpoint:
    """The checkpoint that a note's text states. Raises Refused (`malformed`)."""
    lines = text.split("\n")
    if len(lines) < 4 or lines.pop() or not all(lines):
        raise Refused("malformed", "A checkpoint has an origin, a size and a root, and no empty line.")
    size, root = _count(lines[1], "The size"), _hash(lines[2])
    if size == 0 and root != EMPTY_ROOT:
        raise Refused("malformed", "The root is not that of a tree without entries.")
    return Checkpoint(lines[0], size, root, tuple(lines[3:]))


def open_checkpoint(data: bytes, keys: Iterable[VerifierKey]) -> Checkpoint:
    """The checkpoint of a signed note, signed under its own origin.

    Raises:
        Refused: as `open_note` and `parse_checkpoint`; `other-log` when the known key that signed bears
            another name than the checkpoint's origin
    """
    note = open_note(data, keys)
    checkpoint = parse_checkpoint(note.text)
    _require_signer(note, checkpoint.origin)
    return checkpoint


def _require_signer(note: Note, origin: str) -> None:
    if all(signature.name != origin for signature in note.signatures):
        raise Refused("other-log", f"The log {origin} is signed for under another name.")


def _count(text: str, what: str) -> int:
    if _COUNT.fullmatch(text) is None or int(text) > GREATEST_SIZE:
        raise Refused("malformed", f"{what} is not a whole number in its one form.")
    return int(text)


def _hash(text: str) -> bytes:
    data = unbase64(text, "A hash")
    if len(data) != HASH_BYTES:
        raise Refused("malformed", "A hash is not 32 bytes long.")
    return data


# --- receipts (C2SP tlog-proof) ----------------------------------------------------------------------------
@dataclass(frozen=True)
class Receipt:
    """A receipt's parts, unverified. entry: the `extra` line, None without one. checkpoint: a note."""

    entry: bytes | None
    index: int
    proof: tuple[bytes, ...]
    checkpoint: bytes


def parse_receipt(data: bytes) -> Receipt:
    """The parts of a receipt: nothing in it may be believed yet. Raises Refused (`malformed`)."""
    head, blank, checkpoint = data.partition(b"\n\n")
    try:
        mark, *lines = head.decode("ascii").split("\n")
    except UnicodeDecodeError:
        raise Refused("malformed", "The receipt is not of its form.") from None
    entry = None
    if lines and lines[0].startswith("extra "):
        entry = unbase64(lines.pop(0).removeprefix("extra "), "The entry")
    if mark != RECEIPT_MARK or not blank or not lines or not lines[0].startswith("index "):
        raise Refused("malformed", "The receipt is not of its form.")
    index = _count(lines.pop(0).removeprefix("index "), "The index")
    return Receipt(entry, index, tuple(_hash(line) for line in lines), checkpoint)


def verify_receipt(
    data: bytes, keys: Iterable[VerifierKey], entry: bytes | None = None
) -> tuple[bytes, Checkpoint]:
    """Checks a receipt: that the entry stands in the log which the checkpoint in it covers.

    Args:
        data: the receipt; keys: known keys; entry: exact bytes of the entry, to be used in place of
            those that the receipt carries

    Returns:
        the entry's exact bytes, and the checkpoint

    Raises:
        Refused: as `open_checkpoint` and `parse_receipt`; `altered`; `missing` where neither the receipt
            nor the caller gives the entry; `chain` when the entry states another place than it has
    """
    receipt = parse_receipt(data)
    checkpoint = open_checkpoint(receipt.checkpoint, keys)
    body = receipt.entry if entry is None else entry
    if body is None:
        raise Refused("missing", "The receipt does not carry its entry.", receipt.index)
    verify_inclusion(leaf_hash(body), receipt.index, checkpoint.size, receipt.proof, checkpoint.root)
    try:
        stated = read_entry(body).get("sequence", receipt.index)
    except Refused:
        return body, checkpoint  # another log's entry may be of any form
    if type(stated) is not int or stated != receipt.index:
        raise Refused("chain", RULES["sequence"], receipt.index)
    return body, checkpoint


# --- entries: their form, order and chains -----------------------------------------------------------------
RULES: Final[Mapping[str, str]] = {
    "sequence": "An entry states another place than it has.",
    "log-id": "An entry belongs to another log.",
    "id": "An entry has no id, or one that came before.",
    "recorded-at": "An entry was recorded before the one ahead of it.",
    "subject": "An entry names no subject.",
    "subject-chain": "An entry does not follow its subject's last one.",
    "subject-gap": "An entry of the same subject is left out before this one.",
    "subject-start": "A subject's first entries are left out.",
}
"""What an entry may break in the order of its log, and what that means."""

Facts = tuple[Any, Any, Any, Any, Any, Any, Any]
"""What an entry states: sequence, log_id, id, recorded_at, subject, subject_sequence, previous."""


@dataclass(frozen=True)
class SubjectHead:
    """The last event of a subject. count: events so far. leaf_hash: of the last one, hex."""

    count: int
    leaf_hash: str


class EntryOrder:
    """The order of a log's entries, one after the other: each agrees with all before or breaks a rule."""

    def __init__(self, log_id: str | None = None) -> None:
        """log_id: the log that every entry must name; taken from the first entry when None."""
        self.log_id = log_id
        self._recorded_at = ""
        self._ids: set[str] = set()
        self._heads: dict[str, tuple[int, str]] = {}

    @property
    def recorded_at(self) -> str | None:
        """When the last entry was recorded; None before the first."""
        return self._recorded_at or None

    @property
    def heads(self) -> dict[str, SubjectHead]:
        """The last entry of each subject, by folded subject."""
        return {subject: SubjectHead(*head) for subject, head in self._heads.items()}

    def follow(self, facts: Facts, leaf: str, place: int | None = None) -> str | None:
        """Takes in the next entry.

        Args:
            facts: what the entry states; leaf: its hash in hex; place: where it stands, None not to ask

        Returns:
            the rule of `RULES` that it breaks first, None for none. `subject-gap` and `subject-start` are
            no fault where entries were left out on purpose.
        """
        sequence, log_id, identifier, recorded_at, subject, count, previous = facts
        if type(sequence) is not int or sequence < 0 or sequence != (sequence if place is None else place):
            return "sequence"
        if log_id is None or log_id != self.log_id:
            if self.log_id is not None or not isinstance(log_id, str):
                return "log-id"
            self.log_id = log_id
        if identifier in self._ids or not isinstance(identifier, str):
            return "id"
        self._ids.add(identifier)
        if not isinstance(recorded_at, str) or recorded_at < self._recorded_at:
            return "recorded-at"
        self._recorded_at = recorded_at
        if not isinstance(subject, str):
            return "subject"
        if type(count) is not int or count < 0:
            return "subject-chain"
        folded = subject.casefold()
        expected, last = self._heads.get(folded, (0, None))
        self._heads[folded] = (count + 1, leaf)
        if count > expected:
            return "subject-start" if last is None else "subject-gap"
        return None if count == expected and previous == last else "subject-chain"


def facts_of(document: Mapping[str, Any]) -> Facts:
    """What an entry's document states of its place."""
    state = document.get
    return (state("sequence"), state("log_id"), state("id"), state("recorded_at"), state("subject"),
            state("subject_sequence"), state("previous"))  # fmt: skip


def read_entry(body: bytes) -> dict[str, Any]:
    """The object that an entry's bytes state, if they are its canonical form (RFC 8785).

    Whole numbers beyond 2^53 - 1 are read as the binary64 that they are the canonical form of.

    Raises:
        Refused: `malformed`
    """
    try:
        text = body.decode("utf-8")
        document = _DECODER.decode(text)
        canonical = (text.isascii() and _ENCODER.encode(document) == text) or canonical_text(document) == text
    except (ValueError, RecursionError):
        canonical = False
    if not canonical or not isinstance(document, dict):
        raise Refused("malformed", "An entry is not the canonical form of an object.")
    return document


def _entries(bodies: Sequence[bytes]) -> list[_Entry]:
    """What each of some entries states. Tells the same as `read_entry`, faster for the service's own."""
    entries: list[_Entry] = []
    framed: list[tuple[int, str, Any]] = []  # place among them, the text of the data, the data
    before_data, behind_data, decode = _BEFORE_DATA.match, _BEHIND_DATA.fullmatch, _DECODER.raw_decode
    for at, body in enumerate(bodies):
        text = body.decode("ascii") if body.isascii() else ""
        end = text.rfind(',"id":"')
        if end > 0 and (before := before_data(text)) and (behind := behind_data(text, end)):
            written = text[before.end() : end]
            try:
                data, read = decode(written)
            except (ValueError, RecursionError):
                read = -1
            if read == len(written) and isinstance(data, dict):
                identifier, log_id, previous, recorded_at, sequence, subject, count, type_ = behind.groups()
                facts = (int(sequence), log_id, identifier, recorded_at, subject, int(count), previous)
                framed.append((at, written, data))
                entries.append((facts, data, type_))
                continue
        entries.append(_entry(body))
    # One call for all: no text of a whole JSON object is the beginning of another one, so that all agree
    # together only if each one agrees.
    try:
        canonical = _ENCODER.encode([data for _, _, data in framed])
    except RecursionError:
        canonical = ""
    if canonical != f"[{','.join(written for _, written, _ in framed)}]":
        for at, _, _ in framed:
            entries[at] = _entry(bodies[at])
    return entries


def _entry(body: bytes) -> _Entry:
    try:
        document = read_entry(body)
    except Refused as refused:
        return refused, None, None
    return facts_of(document), document.get("data"), document.get("type")


def canonical_text(value: Any) -> str:
    """The canonical form of a parsed JSON value. Source: RFC 8785, section 3.2."""
    if isinstance(value, dict):
        members = sorted(value.items(), key=lambda member: member[0].encode("utf-16-be", "surrogatepass"))
        return "{" + ",".join(f"{canonical_text(key)}:{canonical_text(each)}" for key, each in members) + "}"
    if isinstance(value, list):
        return "[" + ",".join(canonical_text(each) for each in value) + "]"
    return canonical_number(value) if isinstance(value, float) else _ENCODER.encode(value)


def canonical_number(value: float) -> str:
    """A binary64 number as ECMAScript writes it. Source: RFC 8785, section 3.2.2.3.

    Raises:
        ValueError: an infinity or no number
    """
    if not math.isfinite(value):
        raise ValueError("no number")
    sign, digits, exponent = Decimal(repr(value)).normalize().as_tuple()
    figures, point = "".join(map(str, digits)), len(digits) + int(exponent)
    minus = "-" if sign and value else ""
    if value == 0:
        return "0"
    if 0 < point <= 21:
        whole = figures[:point].ljust(point, "0")
        return minus + whole + (f".{figures[point:]}" if figures[point:] else "")
    if -6 < point <= 0:
        return f"{minus}0.{'0' * -point}{figures}"
    fraction = f".{figures[1:]}" if figures[1:] else ""
    return f"{minus}{figures[0]}{fraction}e{point - 1:+d}"


def _read_float(text: str) -> float:
    value = float(text)
    plain = repr(value) == text and "e" not in text and not text.endswith(".0")
    if not plain and canonical_number(value) != text:
        raise ValueError("a number is not in its canonical form")
    return value


def _read_integer(text: str) -> int | float:
    return int(text) if len(text) < 16 or abs(int(text)) < 2**53 else _read_float(text)


def _read_constant(text: str) -> float:
    raise ValueError(f"{text} is not JSON")


_DECODER = json.JSONDecoder(parse_float=_read_float, parse_int=_read_integer, parse_constant=_read_constant)
_ENCODER = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def _object(data: bytes, what: str) -> dict[str, Any]:
    """A JSON object in any form, with no name twice in it; `what` is for the message."""

    def members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            raise ValueError("a name stands there twice")
        return found

    try:
        found = json.loads(data.decode("utf-8"), object_pairs_hook=members)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise Refused("malformed", f"{what} is not a JSON object.")
    return found


# --- exports -----------------------------------------------------------------------------------------------
class RowTally:
    """The tree over the rows of an export, and the hashes of its rows in groups.

    size: rows so far. width: rows of a group, a power of two; it doubles so that there are never more
    than `MOST_GROUPS` groups.
    """

    def __init__(self) -> None:
        self.size = 0
        self.width = 1
        self._full: list[bytes] = []
        self._open: list[bytes] = []

    def append(self, leaf: bytes) -> None:
        """Takes in the next row's leaf hash."""
        self.extend((leaf,))

    def extend(self, leaves: Sequence[bytes]) -> None:
        """Takes in the leaf hashes of the next rows."""
        self.size += len(leaves)
        self._open += leaves
        taken = 0
        while len(self._open) - taken >= self.width:
            self._full.append(_tree_hash(self._open[taken : taken + self.width]))
            taken += self.width
            if len(self._full) == MOST_GROUPS:
                self._full = _paired(self._full)
                self.width *= 2
        del self._open[:taken]

    def groups(self) -> list[bytes]:
        """Tree hash of each group of `width` rows in order; the last group may be smaller."""
        return [*self._full, _tree_hash(self._open)] if self._open else list(self._full)

    def root(self) -> bytes:
        """Tree hash over all rows, 32 bytes. Source: RFC 9162, section 2.1.1."""
        return _tree_hash(self.groups())

    def frontier(self) -> Frontier:
        """The right edge of the tree over all rows."""
        above, below = Frontier(), Frontier()
        for group in self._full:
            above.append(group)
        for leaf in self._open:
            below.append(leaf)
        return Frontier(self.size, (*above.hashes, *below.hashes))


def _paired(row: list[bytes]) -> list[bytes]:
    """The row of nodes above; an odd last one rises as it is."""
    hashed = hashlib.sha256
    above = [hashed(NODE_PREFIX + row[at] + row[at + 1]).digest() for at in range(0, len(row) - 1, 2)]
    return [*above, row[-1]] if len(row) % 2 else above


def _tree_hash(row: list[bytes]) -> bytes:
    while len(row) > 1:
        row = _paired(row)
    return row[0] if row else EMPTY_ROOT


@dataclass(frozen=True)
class Seal:
    """What the service signed of an export: `count` rows from event `start` on, of a log of `size` events.

    root: tree hash over the rows. filter: what was asked for; with `to` alone, the end, nothing is left out.
    """

    origin: str
    size: int
    start: int
    count: int
    root: bytes
    filter: Mapping[str, Any]

    @property
    def is_range(self) -> bool:
        """Whether nothing between the first row and the last was left out."""
        return set(self.filter) <= {"to"}


def parse_seal(text: str) -> Seal:
    """The seal that a note's text states. Raises Refused (`malformed`)."""
    found = _SEAL.fullmatch(text)
    if found is None:
        raise Refused("malformed", "The seal is not of its form.")
    origin, size, start, count, root, wanted = found.groups()
    seal = Seal(
        origin, _count(size, "The size"), _count(start, "The start"), _count(count, "The count"), _hash(root),
        read_entry(wanted.encode("utf-8")),
    )  # fmt: skip
    end = seal.filter.get("to", seal.size)
    if type(end) is not int or not seal.start <= end <= seal.size or seal.count > end - seal.start:
        raise Refused("malformed", "The seal states more rows than there can be.")
    return seal


@dataclass(frozen=True)
class ExportSummary:
    """What a verified export holds.

    heads: last event given of each subject, by folded subject. documents, texts: how many the file
    carries. frontier: the tree's right edge behind the last row, from which the next part goes on; None
    where not everything before it is known. in_tree: True where the hashes themselves tie the rows to
    the checkpoint; else the seal's signature alone says that they are the log's.
    """

    checkpoint: Checkpoint
    seal: Seal
    log_id: str | None
    recorded_at: str | None
    heads: Mapping[str, SubjectHead]
    documents: int
    texts: int
    frontier: Frontier | None
    in_tree: bool


def verify_export(
    lines: Iterable[bytes],
    keys: Iterable[VerifierKey],
    since: Checkpoint | Iterable[Checkpoint] | None = None,
    leaves_before: Frontier | None = None,
) -> ExportSummary:
    """Checks an export: lines of exact events, what is beside them, and the signed trailer at the end.

    Args:
        lines: as they come, with or without their newlines
        keys: known keys
        since: older checkpoints of the log, verified before; each must be a beginning of it. An iterator
            must give them by rising size.
        leaves_before: frontier over the events before the first row, where that is not event 0

    Raises:
        Refused: the first bad position and what is wrong there. Where only a root disagrees, `position`
            is the first event that can no longer be vouched for, and `detail` names the range.
    """
    export = _Export(since, leaves_before)
    export.read(lines)
    return export.conclude(tuple(keys))


class _Export:
    """An export as it is read. Until the trailer nothing is decided: what looks bad is kept as evidence."""

    def __init__(
        self, since: Checkpoint | Iterable[Checkpoint] | None, leaves_before: Frontier | None
    ) -> None:
        self._rows = RowTally()
        self._order = EntryOrder()
        self._sequences = array("q")  # as the rows state them; -1 where one states none
        self._evidence: dict[str, _Evidence] = {}  # the first of each kind
        self._pending: list[bytes] = []  # entries not read yet
        self._data: Any = None  # of the last entry that was read
        self._named: dict[str, int] = {}  # digest of a document: first row that names it
        self._carried: set[str] = set()
        self._fields: set[str] = set()  # of the last entry, whose words were given
        self._texts = 0
        self._trailer: Mapping[str, Any] | None = None
        before = Frontier() if leaves_before is None else leaves_before
        self._whole = None if since is None and leaves_before is None else before.copy()
        self._base = before.size
        self._marks = _rising(since)
        self._next = next(self._marks, None)
        self._origins: dict[str, int] = {}  # origin of older checkpoints: greatest size
        self._before: dict[str, int] = {}  # origin until a declared loss: events that were kept
        self._borne_out = [self._base]  # sizes of older checkpoints that the events agree with
        self._refuted: int | None = None  # size of the first older checkpoint that they do not
        if self._whole is not None:
            self._compare(self._whole)

    # --- line by line --------------------------------------------------------------------------------------
    def read(self, lines: Iterable[bytes]) -> None:
        """Reads lines as they come."""
        for line in lines:
            if self._trailer is not None:
                raise Refused("malformed", "Something follows the trailer.")
            body = line.removesuffix(b"\n")
            if not body.startswith(_BESIDE):
                self._pending.append(body)
                if len(self._pending) == _BATCH:
                    self._take_entries()
                continue
            self._take_entries()
            if body.startswith(_BESIDE[0]):
                self._take_beside("document", body, self._take_document)
            elif body.startswith(_BESIDE[1]):
                self._take_beside("text", body, self._take_text)
            else:
                self._trailer = _member(_object(body, "The trailer"), "trailer", dict)
        self._take_entries()

    def _take_entries(self) -> None:
        """Reads the entries that have come."""
        bodies, self._pending = self._pending, []
        if not bodies:
            return
        first, hashed = self._rows.size, hashlib.sha256
        leaves = [hashed(LEAF_PREFIX + body).digest() for body in bodies]
        self._rows.extend(leaves)
        if self._whole is not None:
            for leaf in leaves:
                self._whole.append(leaf)
                if self._next is not None:
                    self._compare(self._whole)
        self._fields.clear()
        for row, (leaf, (facts, data, type_)) in enumerate(zip(leaves, _entries(bodies), strict=True), first):
            self._data = data
            if isinstance(facts, Refused):
                self._sequences.append(-1)
                self._note("malformed", row, facts.reason, facts.detail)
                continue
            rule = self._order.follow(facts, leaf.hex())
            self._sequences.append(facts[0] if rule != "sequence" else -1)
            if rule is not None:
                kind = rule if rule in {"subject-gap", "subject-start"} else "order"
                self._note(kind, row, "other-log" if rule == "log-id" else "chain", RULES[rule])
            if isinstance(data, dict):
                if "document_sha256" in data:
                    self._named.setdefault(str(data["document_sha256"]), row)
                if type_ == "loss-declared" and type(data.get("size")) is int:
                    self._before[str(data.get("origin"))] = data["size"]

    def _take_beside(
        self, kind: str, body: bytes, take: Callable[[Mapping[str, Any], Mapping[str, Any]], None]
    ) -> None:
        """Reads a line that belongs to the entry before it."""
        try:
            if not isinstance(self._data, dict):
                raise Refused(kind, f"A {kind} follows no entry that could name it.")
            take(_member(_object(body, f"A {kind}"), kind, dict), self._data)
        except Refused as refused:
            self._note(kind, max(self._rows.size - 1, 0), kind, refused.detail)

    def _take_document(self, document: Mapping[str, Any], data: Mapping[str, Any]) -> None:
        content = unbase64(_member(document, "base64", str), "A document")
        digest = hashlib.sha256(content).hexdigest()
        if document.get("sha256") != digest or data.get("document_sha256") != digest:
            raise Refused("document", "A document's bytes differ from the digest that its event has.")
        if document.get("media_type") != data.get("media_type") or data.get("bytes") != len(content):
            raise Refused("document", "A document is of another kind or length than its event states.")
        self._carried.add(digest)

    def _take_text(self, words: Mapping[str, Any], data: Mapping[str, Any]) -> None:
        field, salt = _member(words, "field", str), _member(words, "salt", str)
        text = _member(words, "text", str).encode("utf-8", "replace")
        if _SALT.fullmatch(salt) is None:
            raise Refused("text", "The salt of words is not of its form.")
        stated = {"sha256": hashlib.sha256(bytes.fromhex(salt) + text).hexdigest()}
        if _member(words, "sequence", int) != self._sequences[-1] or data.get(field) != stated:
            raise Refused("text", "Words differ from the digest that their event has.")
        if field in self._fields:
            raise Refused("text", "The same words stand there twice.")
        self._fields.add(field)
        self._texts += 1

    def _compare(self, whole: Frontier) -> None:
        """Compares the older checkpoints that end where the tree now does."""
        while self._next is not None and self._next.size <= whole.size:
            mark = self._next
            self._next = next(self._marks, None)
            self._origins[mark.origin] = max(mark.size, self._origins.get(mark.origin, 0))
            if mark.size < self._base:
                detail = f"The file does not hold the {mark.size} events that an older checkpoint covers."
                raise Refused("missing", detail, mark.size)
            if mark.size < whole.size:
                raise Refused("malformed", "The older checkpoints do not come by rising size.")
            if self._refuted is not None:
                continue
            if mark.root != whole.root():
                self._refuted = mark.size
            elif self._borne_out[-1] < mark.size:
                self._borne_out.append(mark.size)

    @property
    def _vouched(self) -> int:
        """Events before the first refuted checkpoint that an older checkpoint bears out."""
        sizes = (size for size in reversed(self._borne_out) if size != self._refuted)
        return next(sizes, self._base)

    def _note(self, kind: str, row: int, reason: str, detail: str) -> None:
        self._evidence.setdefault(kind, (row, reason, detail))

    # --- at the end ----------------------------------------------------------------------------------------
    def conclude(self, keys: Sequence[VerifierKey]) -> ExportSummary:
        """The summary, if everything agrees with the trailer."""
        if self._trailer is None:
            raise self._cut_off()
        checkpoint, seal, groups = self._signed(self._trailer, keys)
        departure = self._departure(seal, groups)
        found = self._breaches(seal) if departure is None else [self._departed(seal, *departure)]
        found += [self._evidence[kind] for kind in ("document", "text") if kind in self._evidence]
        if found:
            row, reason, detail = min(found, key=lambda each: each[0])
            raise Refused(reason, detail, self._position(seal, row, reason))
        return self._summary(checkpoint, seal)

    def _cut_off(self) -> Refused:
        """Why a file without a trailer is refused."""
        last = self._rows.size - 1
        row, _, detail = self._evidence.get("malformed", (last + 1, "", ""))
        position = max(self._sequences[:row], default=self._base - 1) + 1
        if row < last:
            return Refused("malformed", detail, position)
        return Refused("cut-off", "The file ends without its trailer.", position)

    def _signed(
        self, trailer: Mapping[str, Any], keys: Sequence[VerifierKey]
    ) -> tuple[Checkpoint, Seal, _Groups | None]:
        """What the trailer states: the checkpoint, the seal, and the groups of rows where it has them."""
        checkpoint = open_checkpoint(_member(trailer, "checkpoint", str).encode("utf-8", "replace"), keys)
        note = open_note(_member(trailer, "seal", str).encode("utf-8", "replace"), keys)
        seal = parse_seal(note.text)
        _require_signer(note, seal.origin)
        if (seal.origin, seal.size) != (checkpoint.origin, checkpoint.size):
            raise Refused("altered", "The checkpoint and the seal in the trailer do not belong together.")
        if not set(trailer) <= {"checkpoint", "seal", "groups"}:
            raise Refused("malformed", "The trailer has a part that is not known.")
        if "groups" not in trailer:
            return checkpoint, seal, None
        stated = _member(trailer, "groups", dict)
        width, data = _member(stated, "rows", int), unbase64(_member(stated, "hashes", str), "A hash")
        hashes = [data[place : place + HASH_BYTES] for place in range(0, len(data), HASH_BYTES)]
        fitting = width > 0 and width.bit_count() == 1 and len(hashes) == -(-seal.count // width)
        if not fitting or len(data) % HASH_BYTES or _tree_hash(hashes) != seal.root:
            raise Refused("altered", "The groups in the trailer do not add up to the root of the seal.")
        return checkpoint, seal, (width, hashes)

    def _departure(self, seal: Seal, groups: _Groups | None) -> tuple[int, int] | None:
        """Rows [first, end) among which the file departs from what was signed; None when it does not."""
        if (self._rows.size, self._rows.root()) == (seal.count, seal.root):
            return None
        first, end = 0, max(self._rows.size, seal.count)
        if groups is not None:
            (width, theirs), own_width, own = groups, self._rows.width, self._rows.groups()
            while own_width < width:
                own, own_width = _paired(own), own_width * 2
            while width < own_width:
                theirs, width = _paired(theirs), width * 2
            pairs = enumerate(zip(own, theirs, strict=False))
            group = next((at for at, (mine, other) in pairs if mine != other), min(len(own), len(theirs)))
            first, end = group * width, min((group + 1) * width, end)
        if self._is_whole(seal):
            vouched = max(first, self._vouched - self._base)
            refuted = end if self._refuted is None else min(end, self._refuted - self._base)
            first, end = (vouched, refuted) if vouched < refuted else (first, end)
        return first, end

    def _departed(self, seal: Seal, first: int, end: int) -> _Evidence:
        """What is wrong with rows [first, end), which are not those that were signed."""
        misplaced = self._misplaced(seal)
        if misplaced is not None and misplaced[1] == "reordered" and not seal.is_range:
            return min(first, misplaced[0]), "reordered", misplaced[2]
        seen = [misplaced]
        if "malformed" in self._evidence:
            row, _, detail = self._evidence["malformed"]
            seen.append((row, "altered", detail))
        within = [each for each in seen if each is not None and each[0] < end]
        if within:
            return min(within, key=lambda each: each[0])
        if self._rows.size < seal.count:
            return first, "missing", f"{seal.count - self._rows.size} of the rows signed are not in the file."
        if self._rows.size > seal.count:
            return first, "altered", f"{self._rows.size - seal.count} rows of the file were not signed."
        if end - first == 1:
            return first, "altered", "The event's bytes are not those that were signed."
        last = self._position(seal, end - 1, "altered")
        return first, "altered", f"From here up to {last}, some event's bytes are not those that were signed."

    def _breaches(self, seal: Seal) -> list[_Evidence]:
        """What is wrong with rows that were signed as they are: entries that contradict each other."""
        kinds = ["malformed", "order"]
        if seal.is_range or set(seal.filter) <= {"to", "hanger"}:  # one hanger's history has no gap either
            kinds += ["subject-gap", "subject-start"] if seal.start == 0 else ["subject-gap"]
        found = [self._evidence[kind] for kind in kinds if kind in self._evidence]
        misplaced = self._misplaced(seal)
        if misplaced is not None:
            found.append((misplaced[0], "chain", misplaced[2]))
        if seal.is_range and seal.start + seal.count < seal.filter.get("to", seal.size):
            found.append(
                (seal.count, "missing", "The seal leaves out events at the end of what was asked for.")
            )
        if self._carried:
            lacking = [row for digest, row in self._named.items() if digest not in self._carried]
            found += [(row, "document", "A document that the event names is not there.") for row in lacking]
        return found

    def _is_whole(self, seal: Seal) -> bool:
        """Whether everything before the rows and among them is known."""
        return seal.is_range and seal.start == self._base

    def _misplaced(self, seal: Seal) -> _Evidence | None:
        """The first row that, by the places which the rows state, is not where it should be."""
        stated, rows = self._sequences, len(self._sequences)
        if not seal.is_range:
            before = seal.start - 1
            for row, sequence in enumerate(stated):
                if 0 <= sequence <= before:
                    return row, "reordered", "The event stands behind a later one, or for the second time."
                before = max(before, sequence)
            return None if before < seal.size else (rows - 1, "altered", "The event stands outside the log.")
        if stated != array("q", range(seal.start, seal.start + rows)):
            for row, sequence in enumerate(stated):
                if sequence not in {-1, seal.start + row}:
                    return self._out_of_place(seal, row, sequence, seal.start + row)
        if rows < seal.count:
            return rows, "cut-off", f"{seal.count - rows} events at the end are not in the file."
        if rows > seal.count:
            return seal.count, "altered", f"{rows - seal.count} events at the end were not signed."
        return None

    def _out_of_place(self, seal: Seal, row: int, sequence: int, wanted: int) -> _Evidence:
        """What is wrong with the first row of a range that states another place than it has."""
        stated = self._sequences
        following = stated[row + 1] if row + 1 < len(stated) else wanted + 1
        if wanted not in stated[row:]:
            if following == wanted + 1 and len(stated) == seal.count:
                return row, "altered", f"Event {wanted} states that it is event {sequence}."
            if sequence > wanted:
                return row, "missing", f"Event {wanted} is not in the file; event {sequence} stands there."
        return row, "reordered", f"Event {sequence} stands in the place of event {wanted}."

    def _position(self, seal: Seal, row: int, reason: str) -> int:
        """The place in the log of a row, counted from 0."""
        if seal.is_range:
            return seal.start + row
        if (
            row < len(self._sequences)
            and self._sequences[row] >= 0
            and reason not in {"missing", "reordered"}
        ):
            return self._sequences[row]
        return max(self._sequences[:row], default=seal.start - 1) + 1

    def _summary(self, checkpoint: Checkpoint, seal: Seal) -> ExportSummary:
        """The summary of rows that agree with the seal, compared with the checkpoint and with older ones."""
        whole = (self._whole or self._rows.frontier()) if self._is_whole(seal) else None
        if whole is None and self._whole is not None:
            detail = "The file does not go on from what came before it, or leaves events out."
            raise Refused("missing", detail, self._base)
        end = seal.start + self._rows.size
        self._compare_older(checkpoint, end)
        in_tree = whole is not None and end == checkpoint.size
        if in_tree and whole is not None and whole.root() != checkpoint.root:
            raise Refused("forked", "The checkpoint is not of the events that the seal is of.", self._vouched)
        return ExportSummary(
            checkpoint=checkpoint,
            seal=seal,
            log_id=self._order.log_id,
            recorded_at=self._order.recorded_at,
            heads=self._order.heads,
            documents=len(self._carried),
            texts=self._texts,
            frontier=whole,
            in_tree=in_tree,
        )

    def _compare_older(self, checkpoint: Checkpoint, end: int) -> None:
        """Checks that every older checkpoint is of a beginning of the log."""
        origins = dict(self._origins)
        if self._next is not None:
            origins[self._next.origin] = max(self._next.size, origins.get(self._next.origin, 0))
        for origin, size in origins.items():
            if origin != checkpoint.origin and origin not in self._before:
                detail = f"The older checkpoint is of the log {origin}, the file of {checkpoint.origin}."
                raise Refused("other-log", detail)
            kept = checkpoint.size if origin == checkpoint.origin else self._before[origin]
            if size > kept:
                detail = f"An older checkpoint covers {size} events, of which the log kept {kept}."
                raise Refused("cut-off", detail, kept)
        if self._refuted is not None:
            detail = f"An older checkpoint of {self._refuted} events is of others than these."
            raise Refused("forked", detail, self._vouched)
        if self._next is not None:
            detail = f"The file ends at {end}, before the {self._next.size} events of an older checkpoint."
            raise Refused("missing", detail, end)


def _rising(since: Checkpoint | Iterable[Checkpoint] | None) -> Iterator[Checkpoint]:
    if since is None or isinstance(since, Checkpoint):
        return iter(() if since is None else (since,))
    return since if isinstance(since, Iterator) else iter(sorted(since, key=lambda each: each.size))


def _member(document: Mapping[str, Any], name: str, kind: type[_Kind]) -> _Kind:
    """A member of an object, of the kind that it must have."""
    value = document.get(name)
    if type(value) is not kind:
        raise Refused("malformed", f"`{name}` is missing or of another kind.")
    return value


# --- backups -----------------------------------------------------------------------------------------------
def verify_backup(
    path: Path, keys: Iterable[VerifierKey], since: Iterable[Checkpoint] = ()
) -> list[ExportSummary]:
    """Checks a backup: its signed manifest, each member's digest, and each log with all its checkpoints.

    Args:
        path: the ZIP file
        keys: known keys. Each counts for every name in the file: one service signs for all its logs with
            the same keys, under the name of each.
        since: older checkpoints of logs in it, verified before

    Returns:
        what each log holds, in the manifest's order

    Raises:
        Refused: `detail` names the log or the member
    """
    try:
        with zipfile.ZipFile(path) as archive:
            if any(member.compress_type not in _ZIP_METHODS for member in archive.infolist()):
                raise Refused("altered", "A member of the ZIP file is packed in a way that no backup is.")
            return _Backup(archive, keys).verify(list(since))
    except _ZIP_FAULTS as error:
        raise Refused("altered", f"The ZIP file cannot be read: {error}") from error
    except OSError as error:
        if error.filename is not None:
            raise
        # No fault of the disk: the file states a place that it does not have.
        raise Refused("altered", f"The ZIP file cannot be read: {error.strerror}") from error


class _Backup:
    """A backup as it is verified."""

    def __init__(self, archive: zipfile.ZipFile, keys: Iterable[VerifierKey]) -> None:
        self._archive = archive
        self._public_keys = tuple(dict.fromkeys(key.public_key for key in keys))

    def verify(self, since: list[Checkpoint]) -> list[ExportSummary]:
        """Checks the whole file: the logs first, since they tell where something is wrong."""
        manifest = self._manifest()
        members = _objects(manifest, "members")
        digests = {_member(each, "name", str): _member(each, "sha256", str) for each in members}
        if sorted(self._archive.namelist()) != sorted([*digests, "manifest.json", "manifest.note"]):
            raise Refused("altered", "The file has other members than its manifest names.")
        logs = _objects(manifest, "logs")
        origins = [_member(log, "origin", str) for log in logs]
        for checkpoint in since:
            if not any(_continues(origin, checkpoint.origin) for origin in origins):
                raise Refused("other-log", f"The backup has no log {checkpoint.origin}.")
        summaries = [self._log(log, origin, since) for log, origin in zip(logs, origins, strict=True)]
        for name, digest in digests.items():
            found = hashlib.sha256()
            with self._archive.open(name) as member:
                while block := member.read(1 << 20):
                    found.update(block)
            if found.hexdigest() != digest:
                raise Refused("altered", f"The member {name} is not the one that the manifest names.")
        return summaries

    def _manifest(self) -> Mapping[str, Any]:
        data, note = self._archive.read("manifest.json"), self._archive.read("manifest.note")
        name = parse_note(note).text.partition("\n")[0]
        stated = f"{name}\nmanifest.json {hashlib.sha256(data).hexdigest()}\n"
        if not name.endswith("/backup") or open_note(note, self._under(name)).text != stated:
            raise Refused("altered", "The manifest is not the one that was signed.")
        return _object(data, "The manifest")

    def _log(self, log: Mapping[str, Any], origin: str, since: list[Checkpoint]) -> ExportSummary:
        log_id = _member(log, "log_id", str)
        older = [each for each in since if _continues(origin, each.origin)]
        keys = self._under(origin)
        try:
            with (
                self._archive.open(f"logs/{log_id}/checkpoints.ndjson") as checkpoints,
                self._archive.open(f"logs/{log_id}/events.ndjson") as events,
            ):
                summary = verify_export(events, keys, map(self._checkpoint, checkpoints))
            if older:  # apart: what is in the file vouches for nothing that someone else has kept
                with self._archive.open(f"logs/{log_id}/events.ndjson") as events:
                    verify_export(events, keys, older)
            stated = (summary.checkpoint.origin, summary.checkpoint.size, summary.log_id or log_id)
            if not summary.in_tree or stated != (origin, log.get("size"), log_id):
                raise Refused("altered", "The log is not the one that the manifest names.")
        except Refused as refused:
            raise Refused(refused.reason, f"{origin}: {refused.detail}", refused.position) from refused
        return summary

    def _checkpoint(self, line: bytes) -> Checkpoint:
        """A stored checkpoint; what stands beside its note must be what the note states."""
        stored = _object(line, "A checkpoint")
        note = _member(stored, "note", str).encode("utf-8", "replace")
        checkpoint = open_checkpoint(note, self._under(parse_checkpoint(parse_note(note).text).origin))
        root = base64.b64encode(checkpoint.root).decode("ascii")
        if (stored.get("size"), stored.get("root")) != (checkpoint.size, root):
            raise Refused("altered", f"What stands beside the checkpoint of size {checkpoint.size} differs.")
        return checkpoint

    def _under(self, name: str) -> tuple[VerifierKey, ...]:
        return tuple(VerifierKey(name, public_key) for public_key in self._public_keys)


def _continues(origin: str, older: str) -> bool:
    """Whether a log of this origin may have begun under the older one: a declared loss appends a part."""
    return origin == older or origin.startswith(f"{older}/")


def _objects(document: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    rows: list[Any] = _member(document, name, list)
    if not all(isinstance(row, dict) for row in rows):
        raise Refused("malformed", f"`{name}` is not a list of objects.")
    return rows


# --- the command -------------------------------------------------------------------------------------------
def main(argv: Sequence[str] | None = None) -> int:
    """Verifies a file, and prints what it holds or what is wrong with it.

    argv: without the program's name; None for the process's own.

    Returns:
        0 verified, 1 refused, 2 called wrongly
    """
    try:
        return _command(_arguments().parse_args(argv))
    except SystemExit as stop:
        return 2 if stop.code else 0
    except OSError as error:
        print(f"{error.filename}: {error.strerror}", file=sys.stderr)
        return 2


def _arguments() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="verifier.py",
        description="Verifies offline what a log gave away. Exit status: 0 verified, 1 refused, 2 misused.",
    )
    add = parser.add_argument
    add("file", type=Path, help="export (NDJSON), receipt (tlog-proof), signed checkpoint or backup (ZIP)")
    add("--key", action="append", required=True, help="NAME+ID+KEY, or a file with one a line; repeatable")
    add("--since", action="append", default=[], type=Path, metavar="CHECKPOINT",
        help="older signed checkpoint, which an export or backup must go on from; repeatable")  # fmt: skip
    add("--entry", type=Path, metavar="FILE", help="the exact bytes of a receipt's entry, if it has none")
    return parser


def _command(given: argparse.Namespace) -> int:
    with given.file.open("rb") as file:
        head = file.read(64)
    notes = [each.read_bytes() for each in given.since]
    entry = None if given.entry is None else given.entry.read_bytes()
    try:
        keys = [key for each in given.key for key in _keys(each)]
    except ValueError as error:
        print(f"--key: {error}", file=sys.stderr)
        return 2
    is_log = head.startswith((b"PK", b"{")) or not head
    if (notes and not is_log) or (entry is not None and not head.startswith(_RECEIPT)):
        print("--since goes with an export or a backup, --entry with a receipt", file=sys.stderr)
        return 2
    try:
        said, status = ["VERIFIED", *_verified(given.file, head, keys, notes, entry)], 0
    except Refused as refused:
        position = "none" if refused.position is None else str(refused.position)
        said, status = [f"REFUSED: {refused.reason}", f"position: {position}", refused.detail], 1
    for line in said:  # a name in a file may hold what a terminal would obey
        print(ascii(line)[1:-1])
    return status


def _keys(given: str) -> list[VerifierKey]:
    file = Path(given)
    lines = file.read_text("utf-8").splitlines() if file.is_file() else [given]
    return [VerifierKey.parse(line.strip()) for line in lines if line.strip()]


def _verified(
    path: Path, head: bytes, keys: list[VerifierKey], notes: list[bytes], entry: bytes | None
) -> list[str]:
    """What the file was found to hold, in lines."""
    if head.startswith(b"PK"):
        names = {signature.name for note in notes for signature in parse_note(note).signatures}
        named = [key.under(name) for name in names for key in keys]
        summaries = verify_backup(path, keys, [open_checkpoint(note, named) for note in notes])
        return [f"backup of {len(summaries)} logs", *map(_in_words, summaries)]
    if head.startswith(b"{") or not head:
        since = [open_checkpoint(note, keys) for note in notes]
        with path.open("rb") as file:
            return [_in_words(verify_export(file, keys, since or None))]
    if head.startswith(_RECEIPT):
        body, checkpoint = verify_receipt(path.read_bytes(), keys, entry)
        where = f"receipt: this entry is in the log {checkpoint.origin}, among its first {checkpoint.size}"
        return [where, body.decode("utf-8", "replace")]
    checkpoint = open_checkpoint(path.read_bytes(), keys)
    root = checkpoint.root.hex()
    return [f"checkpoint of the log {checkpoint.origin}: {checkpoint.size} events, root {root}"]


def _in_words(summary: ExportSummary) -> str:
    seal, checkpoint = summary.seal, summary.checkpoint
    if seal.is_range:
        rows = f"{seal.count} events from {seal.start} on, none left out"
    else:
        rows = f"{seal.count} events from {seal.start} on, by the filter {canonical_text(seal.filter)}"
    tie = "by their hashes" if summary.in_tree else "by the signature over the seal alone"
    return (
        f"log {checkpoint.origin}: {rows}; tied to the checkpoint of {checkpoint.size} events {tie}; "
        f"{summary.documents} documents, {summary.texts} texts"
    )


if __name__ == "__main__":
    sys.exit(main())
