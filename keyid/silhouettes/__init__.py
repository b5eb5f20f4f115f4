"""Silhouette: where the key lies, to about a millimetre."""
