"""How a command ends; the help says what each exit code means."""

WRONG_INPUT, UNANSWERED, INTERRUPTED, BROKEN_PIPE = 2, 3, 130, 141
"""Exit codes, the last two as a shell counts signals."""
