"""What to do with a machine, and with all of them this week."""
