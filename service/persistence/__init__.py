"""The store: one log for each plant and one for the service, and the tables that follow from them.

The log is the truth: `logs`, `events`, `documents` and `texts`. The projections (`records`,
`hangers`, `external_ids`, `memberships`, `facts`) are made from it in the transaction of each
append and can be made again at any time. `principals`, `tokens` and `idempotency_keys` stand beside.
"""
