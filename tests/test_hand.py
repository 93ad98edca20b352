"""What a landing teaches about a hand."""

from daemon import hand as hands


def test_a_fresh_hand_says_what_it_assumes():
    assert "assuming" in hands.describe(hands.fresh())


def test_the_run_on_follows_the_landings():
    hand = hands.fresh()
    for _ in range(10):
        hand = hands.learn(hand, flow_g_per_s=2.0, run_on_g=1.0)
    assert abs(hands.grip(hand, "", 0.0).run_on_g(2.0) - 1.0) < 0.03
    assert "10 landings" in hands.describe(hand)


def test_one_odd_landing_moves_the_lead_little():
    hand = hands.fresh()
    for _ in range(10):
        hand = hands.learn(hand, flow_g_per_s=2.0, run_on_g=0.6)
    odd = hands.learn(hand, flow_g_per_s=2.0, run_on_g=4.0)
    assert odd.lead_s - hand.lead_s < 0.1
