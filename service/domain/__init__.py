"""The job itself: records, events, checks, readiness and release, without any input or output."""
