"""What happens to a plan after it was made: readings against it, and changes of cells."""
