"""Engineering: pure mechanics and the numbers of standards, in SI floats; no I/O, no clock."""
