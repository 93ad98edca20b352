"""One part's pour as a transcript: readings in, news out."""

import pytest

from daemon import hand as hands
from daemon import landing, pour, weighing
from daemon.pour import Begun, HandLearned, Landed, PourGoal, Short, StopCoarse, StopFine
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


class Bench:
    """A perfect scale of 0.1 g at 10 Hz and somebody who hears; seconds in steps of 0.1."""

    def __init__(self, goal, hand=None, division_g=0.1):
        self.hand = hand or hands.fresh()
        self.w = weighing.start(weighing.ScaleTraits(lag_s=0.0, division_g=division_g))
        self.goal, self.d = goal, division_g
        self.i, self.mass, self.p, self.told, self.at_cue_g = 0, 0.0, None, [], []
        self.wait(2.0)
        self.p = pour.begin(goal, 8.0, 1, self.at_s, self.w, self.hand)

    @property
    def at_s(self):
        return self.i * 0.1

    def told_of(self, kind):
        return [n for n in self.told if isinstance(n, kind)]

    def wait(self, seconds, flow=0.0):
        for _ in range(round(seconds * 10)):
            self.step(flow)

    def step(self, flow):
        self.i += 1
        self.mass += 0.1 * flow
        shown = round(round((8.0 + self.mass) / self.d) * self.d, 2)
        self.w = weighing.weigh(self.w, Reading(self.at_s, f"{shown:.2f}", shown, "g"))
        if self.p is None:
            return
        self.take(pour.on_reading(self.p, self.w, self.hand))
        if self.p.due_s is not None and self.p.due_s < self.at_s + 0.1:
            self.take(pour.on_time(self.p, self.w, self.hand, self.p.due_s))

    def take(self, result):
        self.p, news = result
        for n in news:
            self.at_cue_g += [self.mass] if isinstance(n, StopFine) else []
            self.hand = n.hand if isinstance(n, HandLearned) else self.hand
        self.told += news

    def until(self, kind, flow, limit_s=60.0):
        """Pour at `flow` until this is told."""
        before = len(self.told_of(kind))
        for _ in range(round(limit_s * 10)):
            self.step(flow)
            if len(self.told_of(kind)) > before:
                return
        raise AssertionError(f"{kind.__name__} never came: {self.told}")


def _dumped_on(hand):
    """Somebody who hears no coarse cue: 15 g/s until 0.3 s after the stop."""
    bench = Bench(PourGoal("A", 90.0, 0.3), hand)
    bench.until(StopFine, 15.0)
    bench.wait(0.3, 15.0)
    bench.wait(3.0)
    return bench


def test_a_hand_that_never_eases_off_is_stopped_in_time_once_it_is_known():
    known = _dumped_on(hands.fresh()).hand
    for _ in range(3):
        last = _dumped_on(known)
        known = last.hand
    assert abs(last.mass - 90.0) < 1.5
    assert hands.bottle(known, "A").trickle_g_per_s > 10.0


def test_who_stops_to_look_too_near_the_end_is_told_to_go_on_with_a_trickle():
    bench = Bench(PourGoal("A", 60.0, 0.3))
    bench.wait(2.7, 18.0)
    assert not bench.told_of(StopFine)
    bench.told.clear()
    bench.wait(3.0)
    assert [type(n) for n in bench.told] in ([StopCoarse], [])
    bench.until(StopFine, 2.0)
    bench.wait(0.3, 2.0)
    bench.wait(3.0)
    assert abs(bench.mass - 60.0) < 0.5


def test_a_pause_with_room_for_a_dump_asks_nothing():
    bench = Bench(PourGoal("A", 90.0, 0.3))
    bench.wait(1.0, 18.0)
    bench.wait(3.0)
    assert not bench.told_of(StopCoarse)


@pytest.mark.parametrize("flow", [0.15, 0.25, 0.5, 1.0])
def test_two_grams_of_dye_in_drops_are_not_stopped_at_the_first_of_them(flow):
    bench = Bench(PourGoal("dye", 2.0, 0.1))
    bench.until(StopFine, flow)
    assert 1.4 < bench.at_cue_g[0] < 2.0


class Slow(Bench):
    """The same through two equal stages, `lag_s` together, of which nothing is known yet."""

    def __init__(self, goal, lag_s):
        self.lag_s, self.poured, self.stages = lag_s, 0.0, [0.0, 0.0]
        super().__init__(goal)

    def step(self, flow):
        if self.i == 0:
            self.w = weighing.start()
        for _ in range(20):
            self.poured += 0.005 * flow
            self.stages[0] += (self.poured - self.stages[0]) * 0.005 / (0.5 * self.lag_s)
            self.stages[1] += (self.stages[0] - self.stages[1]) * 0.005 / (0.5 * self.lag_s)
        self.mass = self.stages[1]
        super().step(0.0)

    def take(self, result):
        before = len(self.at_cue_g)
        super().take(result)
        self.at_cue_g[before:] = [self.poured] * (len(self.at_cue_g) - before)


@pytest.mark.parametrize("flow", [8.0, 10.0, 12.0])
def test_a_hasty_hand_is_stopped_in_time_though_its_display_has_hardly_risen_yet(flow):
    """0.4 s of reaction bring 3.2 to 4.8 g of a part of 12 g, while the display lags 0.4 s."""
    bench = Slow(PourGoal("A", 12.0, 0.5), 0.35)
    bench.until(StopFine, flow)
    assert bench.at_cue_g[0] + 0.4 * flow < 12.5


@pytest.mark.parametrize(("target_g", "flow"), [(40.0, 50.0), (40.0, 40.0), (60.0, 50.0)])
def test_a_fast_dump_on_a_scale_of_unknown_lag_is_eased_off_while_there_is_room(target_g, flow):
    """Hearing takes 0.3 s; easing off evenly within 0.4 s then brings 0.2 s of the flow more."""
    bench = Slow(PourGoal("A", target_g, 0.5), 0.35)
    bench.until(StopCoarse, flow)
    assert bench.poured + 0.5 * flow < target_g + 0.5


def test_a_stop_of_the_recipe_leaves_a_top_up_the_run_on_that_was_learned():
    """A tenth of the 2 g that are missing leaves 0.2 g; 0.3 s of 2 g/s bring 0.6 g."""
    bench = Bench(PourGoal("A", 20.0, 0.3, coarse=0.5, fine=0.9), known_hand())
    bench.until(StopFine, 2.0)
    bench.wait(3.0)
    short = bench.told_of(Short)[0].short_g
    assert 1.5 < short < 2.1
    bench.until(StopFine, 2.0)
    assert 19.2 < bench.at_cue_g[1] < 19.6


def known_hand():
    """Somebody who takes 0.3 s, at any flow, on a scale without lag."""
    hand = hands.fresh()
    for flow in (1.0, 2.0, 3.0, 1.5, 2.5, 2.0):
        hand = hands.learn(hand, part="A", flow_g_per_s=flow, run_on_g=0.3 * flow, lag_s=0.0)
    return hand


@pytest.mark.parametrize("sd_g", [0.01, 0.05])
def test_a_sure_hand_is_aimed_at_the_target(sd_g):
    assert landing.aim_error_g(sd_g, 0.3, 2.0, 1.5) == 0.0


def test_where_a_top_up_would_overshoot_the_aim_is_a_little_high_but_inside_the_tolerance():
    aims = [landing.aim_error_g(sd, 0.3, 2.0, 1.5) for sd in (0.12, 0.2, 0.3)]
    assert aims == sorted(aims)
    assert 0.0 < aims[-1] <= 0.15


def test_where_a_top_up_costs_little_the_risk_decides():
    """Table of the normal distribution: 2 % lie beyond 2.054 standard deviations."""
    sd_g = 0.2
    aim = landing.aim_error_g(sd_g, 0.3, 2.0, 0.05)
    assert abs(aim - (0.3 - 2.054 * sd_g)) < 0.06


def test_a_flow_cannot_be_faster_than_its_ceiling_and_the_mass_follows():
    s = landing.at_most(landing.Stream(1.5, 5.0, 1.0, 2.0, 4.0), 1.0)
    assert (s.flow_g_per_s, s.mass_g) == (1.0, -0.5)
    assert landing.at_most(s, 2.0) == s
