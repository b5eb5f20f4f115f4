"""Scale: the reference in the photo, and the camera over the table."""
