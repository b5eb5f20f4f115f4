"""What every output that shows a bitting must also say."""

from __future__ import annotations

AUTHORITY = "Make a key only for a person who shows the right to have it; record who asked."
RESTRICTED = "Do not copy a restricted or marked key system without its owner's written consent."
LAW = "Local law and licensing rules of the trade apply, and come before this reading."
BY_HAND = "An estimate from a photo: confirm with a caliper on the key before metal is cut."
SECRET = "Photo and bitting are as good as the key: keep, send and delete them so."

CAUTIONS = (BY_HAND, AUTHORITY, RESTRICTED, LAW, SECRET)
"""In the order of showing: what spoils a blank first."""

SHORT = "Estimate - confirm with a caliper. Only for who may have this key. As secret as the key."
"""For a picture, where there is room for one line."""
