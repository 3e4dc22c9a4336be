"""The shop's side: collector, database, board of live jobs, and what sets them up."""
