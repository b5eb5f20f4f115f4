"""What every output that shows a bitting must also say."""

from __future__ import annotations

BY_HAND = "Estimated from a photo: confirm with a caliper before metal is cut."
AUTHORITY = "Only for a person entitled to the key; note who asked."
RESTRICTED = "No restricted or marked system without its owner's written consent."
LAW = "Local law and licences come first."
SECRET = "Photo and bitting are as secret as the key."

CAUTIONS = (BY_HAND, AUTHORITY, RESTRICTED, LAW, SECRET)
"""In the order of showing: what spoils a blank first."""
