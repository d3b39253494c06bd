"""Which cells share a group: bounds, fold and re-split, exact search, and which stage runs when."""
