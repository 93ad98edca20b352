"""Small fits with honest doubt: least squares that stay above nothing, and draws of what is likely.

Owns the numerical work on a handful of unknowns, in plain floats. Knows nothing of what they mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log1p, sqrt
from random import Random
from typing import Protocol

DRAWS = 600
"""How many draws stand for the doubt: a dozen of them lie beyond a risk of 2 %."""
ROUNDS = 60
SETTLED = 1e-4
STEP = 1e-4
BOLDEST = 1.5
"""Unknowns are logarithms; a longer step than this leaves where the slope means anything."""
TAIL = 15.0
"""Degrees of freedom of the draws' own distribution: heavier tails than a normal one's, so that
what is likely but lopsided is covered."""
SEED = 20
SINGULAR = 1e-13

Matrix = Sequence[Sequence[float]]
Cost = tuple[float, float, float]
"""How unlikely one foreseen value makes what was seen: -ln likelihood, its slope, its curvature."""


class Question(Protocol):
    """What is to be found: unknowns, what is thought of them beforehand, and what was seen."""

    @property
    def priors(self) -> Sequence[tuple[float, float]]:
        """Mean and standard deviation of each unknown before anything was seen."""

    def foreseen(self, unknowns: Sequence[float]) -> list[float]:
        """What these unknowns let one expect, one value for each thing that was seen."""

    def costs(self, foreseen: Sequence[float]) -> list[Cost]:
        """How unlikely each expectation makes what was seen."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One set of unknowns that may be true; weights of all draws add up to 1."""

    weight: float
    unknowns: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Settled:
    """The likeliest unknowns, and the lower triangle L of their precision L L^T."""

    unknowns: tuple[float, ...]
    cost: float
    root: tuple[tuple[float, ...], ...]

    @property
    def spreads(self) -> tuple[float, ...]:
        """The standard deviation of each unknown, near the likeliest."""
        size = len(self.unknowns)
        columns = [_back(self.root, [float(k == i) for k in range(size)]) for i in range(size)]
        return tuple(sqrt(sum(column[i] ** 2 for column in columns)) for i in range(size))


# -- linear algebra ----------------------------------------------------------------------------


def cholesky(matrix: Matrix) -> list[list[float]]:
    """The lower triangle L with L L^T = matrix, which is symmetric and not negative.

    Where a line is a combination of those before it, as good as nothing is put in its place.
    """
    size = len(matrix)
    lower = [[0.0] * size for _ in range(size)]
    for i in range(size):
        for j in range(i + 1):
            rest = matrix[i][j] - sum(
                a * b for a, b in zip(lower[i][:j], lower[j][:j], strict=True)
            )
            if i == j:
                lower[i][i] = sqrt(max(rest, SINGULAR * matrix[i][i], 1e-300))
            else:
                lower[i][j] = rest / lower[j][j]
    return lower


def solved(matrix: Matrix, right: Sequence[float]) -> list[float]:
    """What `matrix` times it is `right`, for a symmetric positive matrix."""
    lower = cholesky(matrix)
    return _back(lower, forward(lower, right))


def forward(lower: Matrix, right: Sequence[float]) -> list[float]:
    """What the lower triangle times it is `right`."""
    x: list[float] = []
    for i, value in enumerate(right):
        x.append((value - sum(a * b for a, b in zip(lower[i][:i], x, strict=True))) / lower[i][i])
    return x


def _back(lower: Matrix, right: Sequence[float]) -> list[float]:
    """What the transpose of `lower` times it is `right`."""
    size = len(right)
    x = [0.0] * size
    for i in reversed(range(size)):
        known = sum(lower[k][i] * x[k] for k in range(i + 1, size))
        x[i] = (right[i] - known) / lower[i][i]
    return x


def nonnegative(gram: Matrix, moment: Sequence[float]) -> tuple[float, ...]:
    """The x, none below 0, that makes x'(gram)x/2 - moment'x least.

    Lawson and Hanson 1974, chapter 23, on the normal equations.
    """
    size = len(moment)
    plain = solved(gram, moment)
    if min(plain, default=0.0) >= 0:  # as it mostly is
        return tuple(plain)
    x, free = [0.0] * size, [False] * size
    least = 1e-10 * max((abs(m) for m in moment), default=0.0)
    for _ in range(3 * size + 3):
        pull = [
            m - sum(g * v for g, v in zip(row, x, strict=True))
            for row, m in zip(gram, moment, strict=True)
        ]
        held = [i for i in range(size) if not free[i] and pull[i] > least]
        if not held:
            break
        free[max(held, key=pull.__getitem__)] = True
        _towards(gram, moment, x, free)
    return tuple(x)


def _towards(gram: Matrix, moment: Sequence[float], x: list[float], free: list[bool]) -> None:
    """Go to the free unknowns' solution, holding at 0 each that would pass it on the way."""
    while any(free):
        which = [i for i, is_free in enumerate(free) if is_free]
        goal = solved([[gram[i][j] for j in which] for i in which], [moment[i] for i in which])
        if min(goal) > 0:
            for i, value in zip(which, goal, strict=True):
                x[i] = value
            return
        way = min(
            x[i] / (x[i] - v) if x[i] > v else 0.0
            for i, v in zip(which, goal, strict=True)
            if v <= 0
        )
        for i, value in zip(which, goal, strict=True):
            x[i] += way * (value - x[i])
            if x[i] <= 1e-15 or (value <= 0 and x[i] <= 1e-12 * (abs(value) + 1e-300)):
                x[i], free[i] = 0.0, False


# -- what is likely ----------------------------------------------------------------------------


def settle(question: Question, start: Sequence[float]) -> Settled:
    """The likeliest unknowns, by damped Newton steps on the expected curvature."""
    x, damping = list(start), 1e-2
    cost = _cost(question, x)
    for _ in range(ROUNDS):
        slope, curve = _shape(question, x)
        while True:
            damped = [
                [v * (1 + damping) if i == j else v for j, v in enumerate(row)]
                for i, row in enumerate(curve)
            ]
            step = [min(max(-s, -BOLDEST), BOLDEST) for s in solved(damped, slope)]
            trial = [a + b for a, b in zip(x, step, strict=True)]
            found = _cost(question, trial)
            if found <= cost or damping > 1e8:
                break
            damping *= 6
        if found <= cost:
            x, cost, damping = trial, found, max(damping / 6, 1e-6)
        if max(abs(s) for s in step) < SETTLED or damping > 1e8:
            break
    _, curve = _shape(question, x)
    return Settled(tuple(x), cost, tuple(tuple(row) for row in cholesky(curve)))


def _cost(question: Question, x: Sequence[float]) -> float:
    seen = sum(cost for cost, _, _ in question.costs(question.foreseen(x)))
    prior = sum(((v - m) / s) ** 2 for v, (m, s) in zip(x, question.priors, strict=True))
    return seen + prior / 2


def _shape(question: Question, x: Sequence[float]) -> tuple[list[float], list[list[float]]]:
    """Slope and curvature of the cost; the curvature of what is foreseen is left out of it."""
    size, at = len(x), question.foreseen(x)
    slopes: list[list[float]] = []
    for i in range(size):
        moved = [v + STEP if i == k else v for k, v in enumerate(x)]
        slopes.append([(b - a) / STEP for a, b in zip(at, question.foreseen(moved), strict=True)])
    slope = [(v - m) / s**2 for v, (m, s) in zip(x, question.priors, strict=True)]
    curve = [
        [1 / question.priors[i][1] ** 2 if i == j else 0.0 for j in range(size)]
        for i in range(size)
    ]
    for k, (_, first, second) in enumerate(question.costs(at)):
        for i in range(size):
            slope[i] += first * slopes[i][k]
            for j in range(size):
                curve[i][j] += max(second, 0.0) * slopes[i][k] * slopes[j][k]
    return slope, curve


def draws(question: Question, settled: Settled, count: int = DRAWS) -> tuple[Draw, ...]:
    """Unknowns that may be true, the same ones each time: drawn around the likeliest and weighed.

    Adaptive importance sampling (Oh and Berger 1992): half as many draws first show where and how
    wide the likely lies, since it is seldom as even as the curvature at its top says.
    """
    random = Random(SEED)
    first = _drawn(
        question, settled.cost, settled.unknowns, _spread_out(settled.root), random, count // 2
    )
    mean, lower = _moments(first)
    return _drawn(question, settled.cost, mean, lower, random, count)


def _spread_out(root: Matrix) -> list[list[float]]:
    """The matrix A with A A^T = (L L^T)^-1, which is the inverse of L transposed."""
    size = len(root)
    columns = [_back(root, [float(k == i) for k in range(size)]) for i in range(size)]
    return [[columns[j][i] for j in range(size)] for i in range(size)]


def _moments(found: Sequence[Draw]) -> tuple[tuple[float, ...], list[list[float]]]:
    """Mean, and lower triangle of the covariance."""
    size = len(found[0].unknowns)
    mean = tuple(sum(d.weight * d.unknowns[i] for d in found) for i in range(size))
    off = [(d.weight, [u - m for u, m in zip(d.unknowns, mean, strict=True)]) for d in found]
    return mean, cholesky(
        [[sum(w * o[i] * o[j] for w, o in off) for j in range(size)] for i in range(size)]
    )


def _drawn(
    question: Question,
    cost: float,
    mean: Sequence[float],
    spread: Matrix,
    random: Random,
    count: int,
) -> tuple[Draw, ...]:
    """Student-distributed draws, weighed; no weight outweighs all others (Ionides 2008)."""
    found: list[tuple[float, tuple[float, ...]]] = []
    for _ in range(count):
        wide = sqrt(TAIL / (2 * random.gammavariate(TAIL / 2, 1.0)))
        way = [random.gauss(0.0, 1.0) * wide for _ in mean]
        x = tuple(
            m + sum(a * w for a, w in zip(row, way, strict=True))
            for m, row in zip(mean, spread, strict=True)
        )
        drawn = (TAIL + len(mean)) / 2 * log1p(sum(w * w for w in way) / TAIL)
        found.append((cost - _cost(question, x) + drawn, x))
    top = max(power for power, _ in found)
    found = [(exp(power - top), x) for power, x in found]
    most = sum(weight for weight, _ in found) / sqrt(count)
    cut = [(min(weight, most), x) for weight, x in found]
    whole = sum(weight for weight, _ in cut)
    return tuple(Draw(weight / whole, x) for weight, x in cut)


def quantile(values: Sequence[float], weights: Sequence[float], share: float) -> float:
    """The least of the values that at least `share` of all weight does not lie above."""
    order = sorted(range(len(values)), key=values.__getitem__)
    so_far = 0.0
    for i in order:
        so_far += weights[i]
        if so_far > share:
            return values[i]
    return values[order[-1]]
