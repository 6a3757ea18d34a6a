"""Figures of merit, measured on demand: ``python -m tests.benchmark NAME``."""
