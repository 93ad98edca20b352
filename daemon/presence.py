"""Whether what rests on the pan is the cup with its resin, and nothing else.

Owns the doubts about what is on the scale while a part is poured. Knows nothing of targets or cues.
"""

from __future__ import annotations

from dataclasses import replace

from daemon.batch import Batch, Doubt, Held, Phase, Question, has_begun, lift_level_g
from daemon.bench import Bench, Turn
from daemon.effects import Pattern

FASTEST_G_PER_S = 120.0
"""No hand pours faster; a reading that leaps more is a hand, a cup or a bump."""
SLIP_G = 10.0
SLIP_G_PER_S = 30.0
SLIP_S = 1.0
"""What may have been poured while a thing was on its way off the pan, and for how long after it:
whoever takes a hand away pours on at once."""
SPENT_S = 0.5
"""So long at least after a leap, and three lags of the scale, what rises is a pour."""
SMALL_THING_G = 4.0
"""Before the first drop this may be left in the cup unasked: a stir stick, a drop of dye."""
STILL_S = 0.4
"""A display that has not moved for so long lies still: no pour is so slow, no hand so steady."""
RESTS_KEPT = 6


def min_cup_g(bench: Bench) -> float:
    """The least load that can be a cup: above a drifting zero, below the lightest paper cup."""
    return max(2.0, 4 * bench.weighing.scale.division_g)


def near_nought_g(bench: Bench) -> float:
    """How near to nought a scale reads that was just zeroed, or switched on."""
    return max(1.0, 3 * bench.weighing.scale.division_g)


def slack_g(bench: Bench) -> float:
    """What a reading may stray by without anything having happened: a knock on the bench."""
    return max(2.0, 5 * bench.weighing.scale.division_g)


def came_g(turn: Turn) -> float:
    """What has come since the last believed reading, as resin would: more poured is positive."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None or batch.believed_g is None:
        return 0.0
    return batch.sign * (w.gross_g - batch.believed_g)


def _lies_above(turn: Turn) -> bool:
    """Whether the load lies above where the present pour began."""
    w, batch = turn.bench.weighing, turn.batch
    assert w.settled_g is not None
    return batch.sign * (w.settled_g - batch.base_g) > slack_g(turn.bench)


def believe(turn: Turn) -> None:
    """Remember the load, unless something but resin is moving it."""
    w, pour = turn.bench.weighing, turn.batch.pour
    if w.gross_g is None or w.disturbed or (pour is not None and pour.foreign_g != 0.0):
        return
    turn.put_batch(believed_g=w.settled_g if w.settled_g is not None else w.gross_g)


def held(turn: Turn) -> bool:
    """Whether the reading is not to be taken for resin now.

    A leap that no pour makes begins it. It ends when the reading is back where it was (with what
    may have been poured while a thing was taken off), or rests where it has rested before. Where it
    rests elsewhere, the person is asked. Nobody can be cued meanwhile, so whoever pours on is told
    to stop.
    """
    leap = _leap(turn)
    _watch_still(turn)
    batch, w = turn.batch, turn.bench.weighing
    if leap is Held.NOT and batch.held is Held.NOT:
        if batch.halted and w.settled_g is not None and not _lies_above(turn):
            turn.put_batch(halted=False)  # it came and went: nothing was poured past it
        return False
    if leap is not Held.NOT:
        _note_leap(turn, leap)
        return True
    if -slack_g(turn.bench) <= came_g(turn) <= _most_g(turn) or _rests_as_before(turn):
        let_go(turn)
        return False
    if w.stable and w.settled_g is not None and batch.believed_g is not None:
        ask(turn, Doubt.RESTING, w.settled_g - batch.believed_g, Phase.POUR)
    else:
        _halt(turn)
    return True


def _leap(turn: Turn) -> Held:
    """Whether the reading has just leapt as no pour does: with the pour, or against it."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None:
        return Held.NOT
    turn.put_batch(seen_g=w.gross_g, seen_at_s=turn.at_s)
    if batch.seen_g is None:
        return Held.NOT
    step, slack = batch.sign * (w.gross_g - batch.seen_g), slack_g(turn.bench)
    # Lines that waited in a held-up computer come in a bunch, with hardly any time between them.
    apart_s = max(turn.at_s - batch.seen_at_s, w.scale.interval_s)
    if step > slack + FASTEST_G_PER_S * apart_s:
        return Held.ON
    return Held.OFF if step < -slack else Held.NOT


def _note_leap(turn: Turn, leap: Held) -> None:
    """Keep when the reading leapt."""
    halted = turn.batch.halted and turn.batch.held is not Held.NOT
    turn.put_batch(held=leap, halted=halted, leapt_at_s=turn.at_s, spent_g=None)


def _halt(turn: Turn) -> None:
    """Stop whoever pours on: once the leap is spent, only a pour makes the load rise."""
    w, batch = turn.bench.weighing, turn.batch
    spent_s = max(SPENT_S, 3 * w.scale.lag_s + w.scale.dead_s)
    if batch.halted or w.gross_g is None or turn.at_s - batch.leapt_at_s < spent_s:
        return
    if batch.spent_g is None:
        turn.put_batch(spent_g=w.gross_g)
    elif batch.sign * (w.gross_g - batch.spent_g) > slack_g(turn.bench):
        turn.put_batch(halted=True)
        turn.sound(Pattern.FINE)


def _most_g(turn: Turn) -> float:
    """What may have come as resin since the last believed reading, after the last leap."""
    batch, slack = turn.batch, slack_g(turn.bench)
    if batch.held is Held.ON:
        return slack
    return slack + SLIP_G + SLIP_G_PER_S * min(turn.at_s - batch.leapt_at_s, SLIP_S)


def _watch_still(turn: Turn) -> None:
    """Note where the reading lies, and since when it has not moved by more than a division."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None:
        return
    still = batch.still_g
    if still is None or abs(w.gross_g - still) > 1.001 * w.scale.division_g:
        turn.put_batch(still_g=w.gross_g, still_from_s=turn.at_s)


def _lies_still(turn: Turn) -> bool:
    batch = turn.batch
    return batch.still_g is not None and turn.at_s - batch.still_from_s >= STILL_S


def _rests_as_before(turn: Turn) -> bool:
    """Whether it lies where this part has lain before: a thing has come and gone."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None or not _lies_still(turn):
        return False
    near = max(0.3, 3 * w.scale.division_g)
    return any(abs(w.gross_g - rest) <= near for rest in batch.rests_g)


def note_rest(turn: Turn) -> None:
    """Remember where the reading has lain still."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None or w.disturbed or not _lies_still(turn):
        return
    if batch.rests_g and abs(w.gross_g - batch.rests_g[-1]) <= w.scale.division_g:
        return
    turn.put_batch(rests_g=(*batch.rests_g, w.gross_g)[-RESTS_KEPT:])


def let_go(turn: Turn) -> None:
    """The pan is believed again, whatever has moved it."""
    turn.put_batch(held=Held.NOT, calming=True)
    forgive(turn)


def forgive(turn: Turn) -> None:
    """What has moved the pan was explained: the pour is not to hold it against the reading.

    A cue that was on its way by then is no longer due.
    """
    batch, w = turn.batch, turn.bench.weighing
    if batch.pour is not None:
        turn.put_batch(pour=replace(batch.pour, jumps=w.jumps, foreign_g=0.0, due_s=None))


def gone(turn: Turn) -> bool:
    """Two readings in a row below what a cup on the pan must show."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None:
        return False
    empty = turn.bench.empty_g or 0.0
    below = batch.below + 1 if w.gross_g - empty < lift_level_g(batch, empty) else 0
    if below != batch.below:
        turn.put_batch(below=below)
    return below >= 2


def has_left(turn: Turn) -> bool:
    """Whether the cup has left the pan; the batch then waits for it to come back.

    An empty cup that is lifted before the first drop is simply another cup when it comes back.
    """
    if not gone(turn):
        return False
    batch = turn.batch
    if batch.phase is Phase.POUR and takes_a_cup(batch) and not batch.loss:
        turn.put_batch(phase=Phase.CUP, pan_clear=True, pour=None, arrives_from_s=None, below=0)
        turn.put(pan_clear=True)
        return True
    turn.put_batch(
        phase=Phase.AWAY,
        back_to=batch.phase,
        lost=False,
        below=0,
        held=Held.NOT,
        away_at_s=turn.at_s,
        question=None,
    )
    return True


def is_untouched(batch: Batch) -> bool:
    """Whether no drop has been poured."""
    return batch.round == 1 and set(batch.poured_g) == {None} and takes_a_cup(batch)


def takes_a_cup(batch: Batch) -> bool:
    """Before the first drop into an empty cup, one that is doubted included."""
    match batch.phase:
        case Phase.CUP:
            return True
        case Phase.CONFIRM:
            return batch.back_to is Phase.CUP
        case Phase.POUR:
            return not has_begun(batch) and batch.landed_g == 0 and batch.round == 1
    return False


def go_away(turn: Turn) -> None:
    """The scale is lost, silent or overloaded: keep the cup's state, believe nothing.

    A cup that was being doubted before its tare is forgotten: it has to come onto a clear pan.
    """
    batch = turn.bench.batch
    if batch is None or batch.phase in (Phase.CUP, Phase.STIR, Phase.COMBINE):
        return
    if batch.phase is Phase.CONFIRM and batch.back_to is Phase.CUP:
        turn.put_batch(phase=Phase.CUP, question=None, pan_clear=False, arrives_from_s=None)
        turn.put(pan_clear=False)
        return
    if batch.phase not in (Phase.AWAY, Phase.CONFIRM):
        flowed = max(0.0, batch.sign * turn.bench.weighing.flow_g_per_s)
        turn.put_batch(back_to=batch.phase, away_at_s=turn.at_s, flowed_g_per_s=flowed)
    lifted = batch.phase is Phase.AWAY and not batch.lost  # it is known to be off the scale
    turn.put_batch(phase=Phase.AWAY, lost=not lifted, below=0, question=None, held=Held.NOT)


def ask(turn: Turn, doubt: Doubt, change_g: float, back_to: Phase) -> None:
    """Ask the person what only they can know."""
    question = turn.batch.question
    if turn.batch.phase is not Phase.CONFIRM or question is None or question.doubt is not doubt:
        turn.sound(Pattern.ASK)
    turn.put_batch(phase=Phase.CONFIRM, back_to=back_to, question=Question(doubt, change_g))
