"""Outline: the blade's rims, tip and shoulder, to a fraction of a pixel."""
