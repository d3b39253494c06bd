"""What a pack is made of: shape, chemistry, limits, holder, conductors."""
