"""What the readings are worth, and what may be corrected."""
