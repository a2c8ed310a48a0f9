"""A cassette recorder and its tape, good or worn: recording to recording."""
