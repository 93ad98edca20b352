"""One part's pour as a transcript: readings in, news out."""

from daemon import hand as hands
from daemon import pour, weighing
from daemon.pour import Begun, Landed, PourGoal, StopCoarse, StopFine
from drivers.reading import Reading


def _steady(p_goal, flow=2.0, hand=None):
    """Pour at `flow` until told to stop, then 0.3 s more; a perfect scale of 0.1 g at 10 Hz."""
    hand = hand or hands.fresh()
    w = weighing.start(weighing.ScaleTraits(lag_s=0.0))
    p, told, mass, stop_at = None, [], 0.0, None
    for i in range(1, 900):
        at_s = i * 0.1
        if at_s > 2.0 and (stop_at is None or at_s <= stop_at):
            mass += 0.1 * flow
        w = weighing.weigh(w, Reading(at_s, None, round(8.0 + mass, 1), "g"))
        if p is None and at_s > 1.5:
            p = pour.begin(p_goal, 8.0, 1, at_s, w, hand)
        if p is None:
            continue
        p, news = pour.on_reading(p, w, hand)
        told += news
        if p.due_s is not None and p.due_s < at_s + 0.1:
            p, news = pour.on_time(p, w, hand, p.due_s)
            told += news
        if stop_at is None and any(isinstance(n, StopFine) for n in told):
            stop_at = at_s + 0.3
        if any(isinstance(n, Landed) for n in told):
            break
    return told


def test_a_steady_trickle_is_begun_stopped_and_landed_in_that_order():
    told = _steady(PourGoal("A", 20.0, 0.5))
    kinds = [type(n) for n in told if type(n) in (Begun, StopFine, Landed)]
    assert kinds == [Begun, StopFine, Landed]
    assert abs(told[-1].error_g) <= 0.5


def test_with_stops_given_the_cues_act_on_the_reading():
    told = _steady(PourGoal("A", 20.0, 0.8, coarse=0.75, fine=0.97))
    coarse = next(n for n in told if isinstance(n, StopCoarse))
    fine = next(n for n in told if isinstance(n, StopFine))
    assert 15.0 <= coarse.reading_g < 15.3
    assert 19.4 <= fine.reading_g < 19.7


def test_a_target_too_small_for_two_stages_goes_straight_to_the_trickle():
    p = pour.begin(PourGoal("dye", 2.0, 0.1), 8.0, 1, 0.0, weighing.start(), hands.fresh())
    assert p.stops_g[0] is None
