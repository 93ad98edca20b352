"""A stream of readings becomes mass, flow and rest."""

from daemon import weighing
from drivers.reading import Reading


def _run(values, step_s=0.1, w=None, declared=None):
    w = w or weighing.start()
    for i, grams in enumerate(values):
        w = weighing.weigh(w, Reading(i * step_s, f"{grams:.1f}", grams, "g", declared))
    return w


def test_nothing_is_known_before_a_reading():
    w = weighing.start()
    assert (w.gross_g, w.mass_g, w.settled_g, w.stable) == (None, None, None, False)
    assert not weighing.is_current(w, 0.0)


def test_a_resting_load_settles_to_its_mean():
    w = _run([8.2, 8.3] * 10)
    assert w.stable
    assert abs(w.settled_g - 8.25) < 0.01


def test_a_scale_that_says_moving_is_never_stable():
    assert not _run([8.2] * 30, declared=False).stable


def test_a_steady_pour_shows_its_flow_and_is_not_at_rest():
    w = _run([8.0] * 10 + [8.0 + 0.2 * i for i in range(30)])
    assert not w.stable
    assert abs(w.flow_g_per_s - 2.0) < 0.3


def test_an_old_reading_is_not_believed():
    w = _run([8.2] * 5)
    assert weighing.is_current(w, 0.5)
    assert not weighing.is_current(w, 5.0)
