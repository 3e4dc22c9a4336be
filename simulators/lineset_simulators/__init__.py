"""A simulated split system and its instruments on real transports. Invented data; never imported by the daemon."""
