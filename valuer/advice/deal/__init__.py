"""What a deal is worth before it is made: the most to pay, what to tell an owner."""
