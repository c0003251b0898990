"""The ledger: what makes a log provable, as pure functions over bytes.

`verifier` checks what a log gave away, with the standard library and the signature library alone; the
file itself is the verifier that can be carried away. It holds the primitives (hashes, proofs, notes,
the order of entries), and everything else here is built on it:

`hashing`     leaf and node hashes of RFC 9162, digests of what lies beside the log
`tree`        roots and proofs from stored hashes
`tiles`       places and bytes of tiles and entry bundles (C2SP tlog-tiles)
`notes`       signing: keys, notes, checkpoints (C2SP signed-note, tlog-checkpoint)
`receipts`    one entry with its proof (C2SP tlog-proof)
`exports`     the lines beside the events of an export, and its signed trailer
`leaf_check`  leaves that are given out, held against a signed root
`chain`       a whole log, or one subject's history, checked from the stored bytes
"""
