"""What walk-behind mowers are worth, what each fault takes off, and which fixes pay."""

__version__ = "0.1.0"
