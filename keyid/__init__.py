"""Identify a physical key from a photo by measuring it."""
