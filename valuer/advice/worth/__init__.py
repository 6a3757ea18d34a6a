"""What a machine is worth: its values over its faults, and what each fault costs."""
