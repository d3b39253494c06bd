"""What flows in cells, groups and links: pure functions on arrays, SI inside."""
