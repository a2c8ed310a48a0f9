"""Stage: blocks to and from the program's image."""
