"""The pretend bench obeys the physics it claims."""

from random import Random

from drivers.scale_sim import ScaleTruth, SimPour, StreamTruth, World


def test_a_steady_ramp_is_shown_late_by_the_lag():
    truth = ScaleTruth(rate_hz=20.0, division_g=0.001, noise_g=0.0, dead_s=0.1)
    world = World(truth, Random(1))
    shown = []
    for i in range(1, 801):
        world.resting_g = 2.0 * i * 0.005
        shown += world.advance(i * 0.005)
    assert abs((shown[-1].at_s * 2.0 - shown[-1].grams) / 2.0 - truth.lag_s) < 0.01


def test_a_steady_stream_weighs_what_has_left_the_spout_plus_its_jet():
    # Momentum balance of a falling stream (hourglass problem): air plus impact = all that left,
    # and q v0 / g beyond it: 10 g/s at 0.5 m/s weigh 0.51 g more.
    truth = StreamTruth(surge=0.0, spout_m_per_s=0.5, fall_m=0.2)
    stream = SimPour(truth, Random(1), 0.001)
    stream.turn(10.0, 0.01)
    for _ in range(2000):
        felt = stream.step()
    assert abs(felt - stream.left_g - 10.0 * 0.5 / 9.80665) < 0.02
