"""Decides and tells: the weighing, the sequence, the clocks, and the outlets."""
