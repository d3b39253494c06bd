"""Which cells may go into a pack."""
