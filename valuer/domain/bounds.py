"""Bounds that several rooms share; nothing is imported here, for the command line reads it before all else."""

MOST_MONEY = 1_000_000.0
"""Most that one amount of own money may be, machines' new prices apart: beyond it stands a slip of the pen."""
