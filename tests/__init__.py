"""Tests of keyid."""
