"""Looking back: a visit's journal read as a whole, exported, verified."""
