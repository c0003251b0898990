"""The HTTP edge: reading requests strictly, answering them, and the one description of both."""
