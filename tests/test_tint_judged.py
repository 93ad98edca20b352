"""How much dye a master needs that is only looked at: brackets, steps and leanings."""

from math import exp, log
from random import Random

import pytest

from recipes.tint_castings import Past
from recipes.tint_judged import EYE, SEEN, needed
from recipes.tint_ledger import Dose, Ledger, Trial
from recipes.tint_next import next_dose
from tests.kit_tint import dosed, judged, jug


def grams(ledger: Ledger) -> tuple[float, float, float]:
    """What the jug is likely to need of its first dye, in grams: 2 %, middle, 98 %."""
    found = needed(ledger)
    assert found is not None
    low, middle, high = (found.amount(0, share) * ledger.base_g for share in (0.02, 0.5, 0.98))
    return low, middle, high


def test_lighter_asks_for_more_and_the_more_the_stronger_it_is_said():
    middles = [
        grams(judged(jug(black=4.0), "lighter", by))[1] for by in ("slight", "clear", "strong")
    ]
    assert 4.0 < middles[0] < middles[1] < middles[2]


def test_darker_asks_for_less():
    middles = [
        grams(judged(jug(black=4.0), "darker", by))[1] for by in ("slight", "clear", "strong")
    ]
    assert 4.0 > middles[0] > middles[1] > middles[2]


def test_a_match_is_near():
    low, middle, high = grams(judged(jug(black=4.0), "match"))
    assert low < 4.0 < high
    assert middle == pytest.approx(4.0, rel=0.05)


def test_a_slight_difference_is_worth_about_a_fifth_of_the_dose():
    """From 1.5 to 3.5 units at 12 units for a dose e times as large: 13 to 34 %."""
    middle = grams(judged(jug(black=4.0), "lighter", "slight"))[1]
    assert 4.0 * exp(1.0 / 12) < middle < 4.0 * exp(4.5 / 12)


def test_two_trials_bracket_the_target():
    """Lighter at 4 g, darker at 10 g: what is needed lies between, and nearer to the slight one."""
    ledger = judged(jug(black=4.0), "lighter", "strong")
    ledger = judged(ledger.added(Dose("black", 6.0)), "darker", "slight")
    low, middle, high = grams(ledger)
    assert 4.0 < low < middle < 10.0
    assert high < 11.5  # a slight difference may be none
    assert middle > 6.3  # the mean of the logarithms


def test_judgements_without_how_much_bracket_too():
    ledger = judged(jug(black=4.0), "lighter")
    ledger = judged(ledger.added(Dose("black", 4.0)), "darker")
    low, middle, high = grams(ledger)
    assert 3.5 < low < middle < high < 8.8


def test_a_series_of_trials_teaches_how_much_a_dose_shows():
    """With each tenth more still lighter by a step, this dye shows little for its dose."""
    ledger = judged(jug(black=4.0), "lighter", "clear")
    once = grams(ledger)[1]
    for _ in range(5):
        ledger = judged(ledger.added(Dose("black", 0.4)), "lighter", "clear")
    assert grams(ledger)[1] > 1.3 * once


def test_one_slip_of_the_tongue_does_not_decide():
    ledger = jug(black=4.0)
    for _ in range(4):
        ledger = judged(ledger, "lighter", "clear")
    told = grams(ledger)[1]
    assert grams(judged(ledger, "darker", "strong"))[1] > 0.8 * told


def test_what_leans_to_a_dye_has_enough_of_it():
    ledger = judged(jug(black=4.0, blue=2.0), "lighter", "clear", toward="blue")
    found = needed(ledger)
    assert found is not None
    more = [found.amount(k, 0.5) / amount for k, (_, amount) in enumerate(ledger.amounts)]
    assert more[0] > 1.25 * more[1]


def test_what_leans_nowhere_keeps_its_proportion():
    ledger = judged(jug(black=4.0, blue=2.0), "lighter", "clear")
    found = needed(ledger)
    assert found is not None
    more = [found.amount(k, 0.5) / amount for k, (_, amount) in enumerate(ledger.amounts)]
    assert more[0] == pytest.approx(more[1], rel=0.1)
    assert more[0] > 1.15


def test_nothing_judged_says_nothing():
    ledger = jug(black=4.0)
    assert needed(ledger) is None
    assert needed(ledger.tested(Trial(ledger.amounts, lab=(50.0, 0.0, 0.0)))) is None
    assert needed(judged(ledger, "lighter").added(Dose("red", 0.1))) is None
    bare = judged(Ledger("B7", 1000.0), "lighter", "strong")
    assert needed(bare) is None
    assert needed(bare.added(Dose("black", 1.0))) is None


# -- a person with a master --------------------------------------------------------------------


def eye(random: Random, wanted: float, has: float) -> tuple[str, str | None]:
    """What an eye says that tells as the model thinks, give or take its scatter."""
    seen = 12.0 * log(wanted / has) + random.gauss(0.0, EYE)
    if abs(seen) < SEEN:
        return "match", None
    by = "slight" if abs(seen) < 3.5 else "clear" if abs(seen) < 6.0 else "strong"
    return ("lighter" if seen > 0 else "darker"), by


def sharp(wanted: float, has: float) -> tuple[str, str | None]:
    """What a far sharper eye says: 3 % is a difference, 30 % a strong one."""
    off = abs(wanted / has - 1)
    if off < 0.03:
        return "match", None
    by = "slight" if off < 0.1 else "clear" if off < 0.3 else "strong"
    return ("lighter" if wanted > has else "darker"), by


@pytest.mark.parametrize("kind", ["usual", "sharp"])
def test_doses_by_eye_come_near_and_seldom_pass(kind):
    passes, doses, ends = 0, 0, []
    for seed in range(12):
        random = Random(seed)
        wanted = random.uniform(1.0, 8.0)
        ledger = jug(black=wanted * random.uniform(0.15, 0.5))
        for _ in range(7):
            has = ledger.dye_g
            said = sharp(wanted, has) if kind == "sharp" else eye(random, wanted, has)
            ledger = judged(ledger, *said)
            add = next_dose(ledger, Past()).add
            ledger = dosed(ledger, add)
            doses += len(add)
            passes += bool(add) and ledger.dye_g > wanted
        ends.append(ledger.dye_g / wanted)
    assert passes <= 0.05 * doses
    assert sorted(ends)[len(ends) // 2] > 0.8
    assert max(ends) < 1.1
