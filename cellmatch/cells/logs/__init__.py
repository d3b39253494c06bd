"""From discharge logs to the cell table."""
