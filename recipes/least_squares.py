"""A small least-squares fit that is drawn towards a starting value and shrugs off a wild point.

Owns the linear algebra for a handful of unknowns, in plain floats. Knows nothing of what they mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

OUTLIER = 1.0
"""Residuals beyond so many spreads count in proportion to their size, not to its square (Huber).
Tight, because what people mark by hand errs seldom and then by much."""
ROUNDS = 50
"""Reweighting settles in a few rounds; this is the end for points that never let it."""
SETTLED = 1e-9
LEARNED = 0.8
"""An unknown is learned once its spread has shrunk below this share of what it began with."""


@dataclass(frozen=True, slots=True)
class Row:
    """One observation: what each unknown adds to it, what was seen, and its standard deviation."""

    adds: tuple[float, ...]
    seen: float
    spread: float


@dataclass(frozen=True, slots=True)
class Fit:
    """The unknowns, drawn towards 0, and for each whether the observations taught anything."""

    values: tuple[float, ...]
    learned: tuple[bool, ...]

    def agrees(self, row: Row) -> bool:
        """Whether an observation lies within one of its spreads of the fit."""
        return _residual(row, self.values) <= 1.0


def ridge_fit(rows: Sequence[Row], spreads: Sequence[float]) -> Fit:
    """The unknowns that fit the rows best, each starting as 0 give or take its spread.

    Minimises sum(w ((seen - adds x) / spread)^2) + sum((x_j / spread_j)^2) with Huber's weights w.
    A spread of 0 holds an unknown at 0.
    """
    free = [j for j, spread in enumerate(spreads) if spread > 0]
    weights = [1.0] * len(rows)
    values = [0.0] * len(spreads)
    inverse: list[list[float]] = []
    for _ in range(ROUNDS):
        matrix, right = _normal_equations(rows, weights, spreads, free)
        inverse = _inverse(matrix)
        before = tuple(values)
        for j, line in zip(free, inverse, strict=True):
            values[j] = sum(a * b for a, b in zip(line, right, strict=True))
        if all(abs(x - y) < SETTLED for x, y in zip(values, before, strict=True)):
            break
        weights = [_weight(row, values) for row in rows]
    learned = [False] * len(spreads)
    for k, j in enumerate(free):
        learned[j] = bool(rows) and inverse[k][k] ** 0.5 < LEARNED * spreads[j]
    return Fit(tuple(values), tuple(learned))


def _residual(row: Row, values: Sequence[float]) -> float:
    fitted = sum(a * x for a, x in zip(row.adds, values, strict=True))
    return abs(row.seen - fitted) / row.spread


def _weight(row: Row, values: Sequence[float]) -> float:
    off = _residual(row, values)
    return 1.0 if off <= OUTLIER else OUTLIER / off


def _normal_equations(
    rows: Sequence[Row], weights: Sequence[float], spreads: Sequence[float], free: Sequence[int]
) -> tuple[list[list[float]], list[float]]:
    matrix = [[(1 / spreads[j] ** 2 if j == k else 0.0) for k in free] for j in free]
    right = [0.0] * len(free)
    for row, weight in zip(rows, weights, strict=True):
        w = weight / row.spread**2
        for a, j in enumerate(free):
            right[a] += w * row.adds[j] * row.seen
            for b, k in enumerate(free):
                matrix[a][b] += w * row.adds[j] * row.adds[k]
    return matrix, right


def _inverse(matrix: Sequence[Sequence[float]]) -> list[list[float]]:
    """Gauss-Jordan; the matrix is positive definite, since every free unknown has a spread."""
    size = len(matrix)
    wide = [
        [*line, *(1.0 if i == j else 0.0 for j in range(size))] for i, line in enumerate(matrix)
    ]
    for i in range(size):
        pivot = wide[i][i]
        wide[i] = [x / pivot for x in wide[i]]
        for j in range(size):
            if j != i:
                factor = wide[j][i]
                wide[j] = [x - factor * y for x, y in zip(wide[j], wide[i], strict=True)]
    return [line[size:] for line in wide]
