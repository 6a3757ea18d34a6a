"""The decisions: what to cure, what to leave, when to stop, which machine first, the most to pay."""
