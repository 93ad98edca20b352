"""A number on the command line, and the limits that it is held to.

Owns how such a number is read and refused. Does not know what it is for.
"""

from __future__ import annotations

import argparse


def within(text: str, least: float, most: float, what: str) -> float:
    """The number that is written there; ArgumentTypeError where it is none from least to most."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not least <= value <= most:
        raise argparse.ArgumentTypeError(f"{what}, from {least:.9g} to {most:.9g}, not {text}")
    return value


def grams(text: str) -> float:
    """Grams as a scale weighs them for a mix; ArgumentTypeError where they are not."""
    return within(text, 0.01, 100_000, "grams")
