"""What every command says at its end, and how it ends."""

from ventsim import schema

__all__ = ["BROKEN_PIPE", "CAUTION", "INTERRUPTED", "WRONG_INPUT"]

CAUTION = f"{schema.CAUTION} Sharing a ventilator is off-label and professional bodies advise against it."
"""Last line of every run. Source: joint statement of SCCM, AARC, ASA, APSF, AACN and CHEST, 26 March 2020."""

WRONG_INPUT, INTERRUPTED, BROKEN_PIPE = 2, 130, 141
"""Exit codes, the last two as a shell counts signals."""
