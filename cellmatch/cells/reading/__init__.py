"""From the files that testers and people write to the cell table."""
