"""Estimates: what turns, bearing faces, levels and load cells say about loads, weights and heights."""
