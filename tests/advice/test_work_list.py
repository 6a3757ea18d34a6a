"""What is decided is what is told: every list adds up, names its cautions, and goes on as it said."""

HOUR = 14.0
