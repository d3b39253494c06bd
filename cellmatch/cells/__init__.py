"""What was measured on each cell, how far it can be trusted, and which cells may be used."""
