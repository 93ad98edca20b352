"""The ledgers, rebuilt from what the journal tells: events in, jugs out."""

from __future__ import annotations

import pytest

from daemon.order_run import Jug
from daemon.tint_book import (
    KEPT,
    after,
    fold,
    fraction,
    ledger_of,
    past_of,
    weighed_by_ledger,
)
from recipes.tint_castings import WET
from recipes.tint_ledger import LedgerError

STARTED = ("tint.started", {"jug": "B7", "base_g": 990.0})
BLACK = ("tint.added", {"jug": "B7", "dye": "black", "grams": 10.0, "strength": 1.0})


def told(*events):
    return ledger_of(fold(events))


def test_base_and_a_dose_make_one_percent():
    """10 g of dye in 1000 g."""
    ledger = told(STARTED, BLACK)
    assert (ledger.base_g, dict(ledger.dyes), ledger.fraction) == (990.0, {"black": 10.0}, 0.01)


def test_a_batch_that_draws_on_the_jug_takes_its_dye_along():
    drawn = ("jug.drawn", {"jug": "B7", "part": "B", "grams": 250.0, "left_g": 750.0})
    ledger = told(STARTED, BLACK, drawn)
    assert ledger.jug_g == pytest.approx(750.0)
    assert ledger.fraction == pytest.approx(0.01)


def test_a_jug_drawn_to_the_last_drop_keeps_its_colour():
    drawn = ("jug.drawn", {"jug": "B7", "part": "B", "grams": 1200.0})
    assert told(STARTED, BLACK, drawn).fraction == pytest.approx(0.01)


def test_what_a_jug_is_filled_up_with_is_base():
    """10 g of dye in 2000 g."""
    filled = ("jug.refilled", {"jug": "B7", "grams": 1000.0, "lot": "26-1102"})
    assert told(STARTED, BLACK, filled).fraction == pytest.approx(0.005)


def test_base_that_saves_a_jug_is_no_dose():
    ledger = told(STARTED, BLACK, ("tint.added", {"jug": "B7", "dye": "base", "grams": 1000.0}))
    assert ledger.fraction == pytest.approx(0.005)
    assert len(ledger.doses) == 1


def test_a_trial_cast_from_the_jug_takes_its_share_out():
    tested = ("tint.tested", {"jug": "B7", "lab": [50.0, 0.0, 0.0], "used_g": 100.0})
    ledger = told(STARTED, BLACK, tested)
    assert ledger.jug_g == pytest.approx(900.0)
    assert ledger.trials[0].amounts == (("black", 10.0 / 990.0),)


def test_a_trial_mix_is_kept_as_it_was_mixed():
    """50 g of the jug hold 0.5 g of dye and 49.5 g of base; 0.1 g more."""
    mix = {"jug_g": 50.0, "with": {"black": 0.1}}
    ledger = told(STARTED, BLACK, ("tint.tested", {"jug": "B7", "judge": "match", "mix": mix}))
    assert ledger.trials[0].amounts == (("black", pytest.approx(0.6 / 49.5)),)
    assert ledger.jug_g == pytest.approx(950.0)


def test_a_slip_of_the_finger_is_taken_back_once():
    slip = ("tint.added", {"jug": "B7", "dye": "black", "grams": 100.0})
    book = fold([STARTED, BLACK, slip, ("tint.undone", {"jug": "B7"})])
    assert dict(ledger_of(book).dyes) == {"black": 10.0}
    with pytest.raises(LedgerError, match="only the last entry"):
        after(book, "tint.undone", {"jug": "B7"})


def test_nothing_is_taken_back_once_a_batch_has_drawn_on_it():
    book = fold([STARTED, BLACK, ("jug.drawn", {"jug": "B7", "grams": 100.0})])
    with pytest.raises(LedgerError):
        after(book, "tint.undone", {"jug": "B7"})


def test_a_jug_filled_anew_is_another_ledger_and_remembers_the_first():
    book = fold([STARTED, BLACK, STARTED])
    assert [one.dye_g for one in book] == [10.0, 0.0]
    assert fraction(book, "B7") == 0.0


def test_the_jug_that_was_worked_on_last_is_the_one_meant():
    book = fold([STARTED, ("tint.started", {"jug": "B8", "base_g": 500.0}), BLACK])
    assert ledger_of(book).jug == "B7"
    assert ledger_of(book, "B8").base_g == 500.0
    with pytest.raises(LedgerError, match="B9 has no colour yet; there is one of B8, B7"):
        ledger_of(book, "B9")


def test_only_so_many_jugs_are_remembered():
    book = fold([("tint.started", {"jug": f"J{n}", "base_g": 1.0}) for n in range(KEPT + 5)])
    assert (len(book), book[-1].jug) == (KEPT, f"J{KEPT + 4}")


def test_what_means_nothing_here_is_passed_over():
    odd = [("tint.added", {"jug": "B9"}), ("tint.tested", {"jug": "B7", "judge": "purple"})]
    assert fold([STARTED, *odd, BLACK]) == fold([STARTED, BLACK])


def test_a_jug_without_a_ledger_is_left_alone():
    assert fold([STARTED, ("jug.drawn", {"jug": "A3", "grams": 10.0})]) == fold([STARTED])
    assert fraction(fold([STARTED]), "A3") is None


def test_the_step_of_the_scale_is_kept_from_the_last_weighing():
    weighed = {"weighed": {"before_g": 500.0, "after_g": 510.0, "division_g": 0.1}}
    assert told(STARTED, (BLACK[0], BLACK[1] | weighed)).division_g == 0.1
    assert told(STARTED, BLACK).division_g == 0.0


def test_a_ledger_says_what_is_in_a_jug_on_the_shelf():
    book = fold([STARTED, BLACK])
    assert weighed_by_ledger(Jug("B7", "B", 1900.0), book).left_g == 1000.0
    assert weighed_by_ledger(Jug("A3", "A", 1900.0), book).left_g == 1900.0


def test_wet_and_cured_are_learned_from_earlier_jugs():
    """Two pairs 6 and 8 lighter when cured; the guess of 3 counts as one more: 17/3."""
    pairs = [
        ("tint.tested", {"jug": "B7", "lab": [60.0 + d, 0.0, 0.0], "wet_lab": [60.0, 0.0, 0.0]})
        for d in (6.0, 8.0)
    ]
    book = fold([STARTED, *pairs, ("tint.started", {"jug": "B8", "base_g": 500.0})])
    assert past_of(book, ledger_of(book)).wet[0] == pytest.approx((WET[0] + 6 + 8) / 3)
    assert past_of(book, ledger_of(book, "B7")).wet == WET
