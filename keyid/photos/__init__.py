"""Photo: a file to upright pixels and what it tells of the camera."""
