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


def test_an_unfiltered_scale_is_known_by_a_cup_that_is_there_at_once():
    """Looked at through the lag of an ordinary scale, a dump of 14 g/s would open at some 90."""
    w = _run([0.0] * 20 + [8.0] * 15)
    assert w.scale.total_lag_s < 0.1
    for i in range(1, 8):
        grams = 8.0 + 1.4 * i
        reading = Reading(3.4 + 0.1 * i, f"{grams:.1f}", grams, "g", None)
        w = weighing.weigh(w, reading)
        assert 10.0 < w.flow_g_per_s < 20.0, f"at reading {i}"


def test_readings_that_were_lost_while_a_cup_came_make_no_scale_quick():
    before = _run([0.0] * 20)
    w = before
    for i in range(15):
        w = weighing.weigh(w, Reading(2.2 + 0.1 * i, "8.0", 8.0, "g", None))
    assert w.scale.lag_s == before.scale.lag_s


def test_an_old_reading_is_not_believed():
    w = _run([8.2] * 5)
    assert weighing.is_current(w, 0.5)
    assert not weighing.is_current(w, 5.0)
