"""Whole photos through the command line."""
