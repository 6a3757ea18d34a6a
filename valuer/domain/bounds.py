"""Bounds that several rooms share; nothing is imported here, for the command line reads it before all else."""

MOST_MONEY = 1_000_000.0
"""Most that one amount of own money may be, machines' new prices apart: beyond it stands a slip of the pen."""

MOST_WRONG = 40
"""Wrong values that are looked at before a question or a file is refused: more of them would teach nobody anything."""

MOST_NAMES = 100
"""Names in one object; several times what any of them may have."""

MOST_LISTED = 1_000
"""Entries of one list in a question or on a machine."""

LONGEST_WORD = 64
"""Characters up to which a word is worth comparing with the known ones, as no name of ours is longer."""
