"""The ledger: what makes a log provable, as pure functions over bytes.

`hashing` has the leaf and node hashes of RFC 9162, `chain` the order of one subject's events and
the check of a whole log from its stored bytes.

The Merkle tree over the leaves (root, inclusion and consistency proofs of RFC 9162 section 2.1),
the signed checkpoints (C2SP signed notes), the tiles (C2SP tlog-tiles) and the verifier that
works without the service belong in this package too, as modules `tree`, `proofs`, `checkpoints`
and `tiles` beside these. They need nothing but the leaf hashes that are stored from the first event on.
"""
