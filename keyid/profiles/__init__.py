"""Profile: what is known of a blade, from files that are checked."""
