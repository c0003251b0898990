"""Use cases: load, let the domain decide, append, commit. No HTTP, no SQL, no clock of their own."""
