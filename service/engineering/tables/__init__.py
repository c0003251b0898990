"""Standards tables as data files, each with its source at its head, and the loader that verifies them."""
