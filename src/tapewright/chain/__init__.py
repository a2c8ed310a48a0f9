"""The only place where stages meet: read, write, verify."""
