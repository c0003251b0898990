"""The release of a hanger as a pure machine: states, facts, guards and what they show."""
