"""Unit tests: one stage at a time."""
