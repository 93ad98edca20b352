"""The world's edges: bytes in from a scale, sounds out."""
