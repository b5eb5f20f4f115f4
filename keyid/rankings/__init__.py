"""Ranking: every profile against the blade, and "none of these"."""
