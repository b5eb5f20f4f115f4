"""Blade: stop, length, width, edges and cuts in the blade's own frame, each with its uncertainty."""
