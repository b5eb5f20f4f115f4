"""Reading: the bitting, what limits the photo, what to measure next, and what caliper readings make of it."""
