"""Order of release: in which order the travel stops of a line should come out, and what each step does."""
