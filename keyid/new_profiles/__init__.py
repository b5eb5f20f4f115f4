"""New profiles: from a caliper, a blank's photo, or keys with known bittings."""
