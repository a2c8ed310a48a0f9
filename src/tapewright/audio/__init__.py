"""Stage: files and sound devices to and from recordings."""
