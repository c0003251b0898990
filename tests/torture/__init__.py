"""Server processes killed at any moment under many writers, and the proof that nothing was lost.

`plan` draws what shall happen from a seed, `run` lets it happen, `history` keeps what was seen from
outside, and `invariants` holds that against the stored log. Nothing in the service knows of this:
`server` starts the service itself with some of its calls wrapped.

    python -m tests.torture --engine sqlite --minutes 15 --seed 1
"""
