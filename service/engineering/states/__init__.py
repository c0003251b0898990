"""States: where a condensed line comes to rest on its hangers, and how it moves there.

`laws` says what one hanger does, `tracing` what the line does; `turning` and `bands` answer from a state.
Pure mechanics in SI: no records, no units but SI, no clock.
"""
