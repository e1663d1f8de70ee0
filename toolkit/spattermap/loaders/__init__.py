"""Files to map sets: one door, one file a format family."""
