"""Working out a tape format nobody wrote down, from recordings of saves."""
