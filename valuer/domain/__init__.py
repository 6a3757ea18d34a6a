"""The trade's nouns and rules: machines, faults, readings, fixes, safety, shop terms.

Nothing in here reads the clock, the network or a file other than the tables packaged beside it.
"""
