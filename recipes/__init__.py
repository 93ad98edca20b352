"""What to mix, and the arithmetic on it."""
