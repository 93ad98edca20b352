"""The small fits: against general libraries (numpy, scipy), and doubt as wide as it ought to be."""

from math import log, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import nnls
from scipy.stats import norm

from recipes.tint_fit import cholesky, draws, forward, nonnegative, quantile, settle, solved

NUMBER = st.floats(-3, 3)
ROWS = st.lists(st.tuples(NUMBER, NUMBER, NUMBER), min_size=3, max_size=6)


def gram_of(rows, weak=0.0):
    matrix = np.array(rows)
    return (matrix.T @ matrix + weak * np.eye(matrix.shape[1])).tolist()


@given(ROWS, st.tuples(NUMBER, NUMBER, NUMBER))
def test_equations_are_solved_as_by_a_general_library(rows, right):
    gram = gram_of(rows, weak=0.1)
    assert solved(gram, right) == pytest.approx(np.linalg.solve(gram, right), rel=1e-6, abs=1e-6)


@given(ROWS)
def test_the_triangle_makes_the_matrix(rows):
    gram = gram_of(rows, weak=0.1)
    lower = np.array(cholesky(gram))
    assert lower @ lower.T == pytest.approx(np.array(gram), rel=1e-9, abs=1e-9)
    assert lower @ forward(lower.tolist(), [1.0, 2.0, 3.0]) == pytest.approx([1.0, 2.0, 3.0])


@given(ROWS, st.data())
def test_what_may_not_be_below_nothing_is_found_as_by_a_general_library(rows, data):
    seen = data.draw(st.lists(NUMBER, min_size=len(rows), max_size=len(rows)))
    weak = 1e-6
    found = nonnegative(gram_of(rows, weak), (np.array(rows).T @ seen).tolist())
    _, off = nnls([*rows, *(sqrt(weak) * np.eye(3))], [*seen, 0.0, 0.0, 0.0])
    ours = np.linalg.norm([*(np.array(rows) @ found - seen), *(sqrt(weak) * np.array(found))])
    assert min(found) >= 0
    assert ours <= off + 1e-6


def test_nothing_to_find_is_found():
    assert nonnegative([], []) == ()


class Straight:
    """y = a + b x with the likelihood and the priors normal: the answer is known."""

    priors = ((0.0, 2.0), (1.0, 0.5))
    seen = ((0.0, 0.3), (1.0, 1.1), (2.0, 2.4))

    def foreseen(self, unknowns):
        return [unknowns[0] + unknowns[1] * x for x, _ in self.seen]

    def costs(self, foreseen):
        off = [(f - y) / 0.2 for f, (_, y) in zip(foreseen, self.seen, strict=True)]
        return [(o * o / 2, o / 0.2, 1 / 0.04) for o in off]

    def exact(self):
        rows = np.array([[1.0, x] for x, _ in self.seen]) / 0.2
        precision = rows.T @ rows + np.diag([1 / s**2 for _, s in self.priors])
        right = rows.T @ (np.array([y for _, y in self.seen]) / 0.2)
        right = right + [m / s**2 for m, s in self.priors]
        return np.linalg.solve(precision, right), np.linalg.inv(precision)


def test_a_straight_line_is_found_with_its_spreads():
    mean, covariance = Straight().exact()
    found = settle(Straight(), (0.0, 0.0))
    assert found.unknowns == pytest.approx(mean, abs=1e-4)
    drawn = draws(Straight(), found, count=2000)
    values, weights = [d.unknowns[1] for d in drawn], [d.weight for d in drawn]
    assert sum(weights) == pytest.approx(1.0)
    for share in (0.02, 0.5, 0.98):
        expected = norm.ppf(share, mean[1], sqrt(covariance[1][1]))
        assert quantile(values, weights, share) == pytest.approx(
            expected, abs=0.35 * sqrt(covariance[1][1])
        )


class Lopsided:
    """A number that was only seen to be above 1, about: a one-sided answer."""

    priors = ((0.0, 1.0),)

    def foreseen(self, unknowns):
        return [unknowns[0]]

    def costs(self, foreseen):
        def cost(at):
            return -log(max(norm.cdf((at - 1.0) / 0.2), 1e-300))

        at, step = foreseen[0], 1e-3
        low, here, high = cost(at - step), cost(at), cost(at + step)
        return [(here, (high - low) / (2 * step), (high - 2 * here + low) / step**2)]


def test_a_one_sided_answer_keeps_its_tail():
    """Against the same integral done numerically."""
    grid = np.linspace(-2, 6, 4001)
    density = norm.pdf(grid) * norm.cdf((grid - 1.0) / 0.2)
    below = np.cumsum(density) / density.sum()
    drawn = draws(Lopsided(), settle(Lopsided(), (0.5,)), count=2000)
    for share in (0.02, 0.5, 0.975):
        expected = grid[np.searchsorted(below, share)]
        found = quantile([d.unknowns[0] for d in drawn], [d.weight for d in drawn], share)
        assert found == pytest.approx(expected, abs=0.15)


def test_draws_are_the_same_each_time():
    settled = settle(Straight(), (0.0, 0.0))
    assert draws(Straight(), settled) == draws(Straight(), settled)


def test_a_quantile_weighs_its_values():
    assert quantile([3.0, 1.0, 2.0], [0.2, 0.5, 0.3], 0.4) == 1.0
    assert quantile([3.0, 1.0, 2.0], [0.2, 0.5, 0.3], 0.6) == 2.0
    assert quantile([3.0, 1.0, 2.0], [0.2, 0.5, 0.3], 1.0) == 3.0
