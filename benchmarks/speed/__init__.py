"""How fast recordings are read, where the time goes, and how much memory it takes."""
