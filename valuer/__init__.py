"""What a walk-behind mower on the bench is worth, and which work on it pays."""

__version__ = "0.1.0"
