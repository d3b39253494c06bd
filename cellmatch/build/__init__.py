"""What a plan says about building: where each cell sits and which way up."""
