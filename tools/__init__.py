"""Helps people: replay, demo, benchmarks, checks."""
