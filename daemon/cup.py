"""The cup: put down and tared, lifted and put back, doubted and confirmed.

Owns when what rests on the pan is taken for the cup. Knows nothing of cues.
"""

from __future__ import annotations

from dataclasses import replace

from daemon.batch import Doubt, Phase, grams, lift_level_g, same_load
from daemon.bench import Turn
from daemon.effects import Pattern
from daemon.parts import begin_part
from daemon.presence import ask, gone, min_cup_g

SLOW_CUP_S = 3.0
"""A cup is put down in less; what comes steadily for longer may be resin poured before the tare."""


def reading_at_cup(turn: Turn) -> None:
    """Watch for a cup on a pan that has been seen empty, and tare it once it rests."""
    w, batch = turn.bench.weighing, turn.batch
    _watch_arrival(turn)
    if not w.stable or w.settled_g is None:
        return
    if turn.bench.empty_g is None:
        _first_sight(turn, w.settled_g)
    empty = turn.bench.empty_g or 0.0
    load = w.settled_g - empty
    least = min_cup_g(turn.bench)
    if load < least:
        turn.put(empty_g=w.settled_g, pan_clear=True)
        turn.put_batch(pan_clear=True, arrives_from_s=None, question=None)
    elif turn.batch.pan_clear:
        slow = batch.arrives_from_s is not None and (
            batch.arrives_until_s - batch.arrives_from_s > SLOW_CUP_S
        )
        if slow:
            ask(turn, Doubt.SLOW_CUP, load, Phase.CUP)
        else:
            tare_cup(turn)


def _first_sight(turn: Turn, settled_g: float) -> None:
    """The pan's own reading is not known yet: nought where it is near it or a cup stands there."""
    far = settled_g >= min_cup_g(turn.bench)
    turn.put(empty_g=0.0 if far else settled_g)


def _watch_arrival(turn: Turn) -> None:
    """Note since when the load has been rising, and whether it has ever fallen back."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None or turn.bench.empty_g is None:
        return
    load = w.gross_g - turn.bench.empty_g
    slack = 2 * w.scale.division_g
    if load < slack:
        if batch.arrives_from_s is not None:
            turn.put_batch(arrives_from_s=None)
        return
    if batch.arrives_from_s is None or load < batch.arrives_high_g - slack:
        turn.put_batch(arrives_from_s=turn.at_s, arrives_high_g=load, arrives_until_s=turn.at_s)
    elif load > batch.arrives_high_g + 1e-9:
        until = turn.at_s if load > batch.arrives_high_g + slack else batch.arrives_until_s
        turn.put_batch(arrives_high_g=load, arrives_until_s=until)


def tare_cup(turn: Turn) -> None:
    """Take what rests on the pan as the cup, and begin the first (or next) part."""
    w = turn.bench.weighing
    assert w.settled_g is not None
    cup_g = w.settled_g - (turn.bench.empty_g or 0.0)
    turn.put_batch(cup_g=cup_g, base_g=w.settled_g, believed_g=w.settled_g, question=None)
    turn.put(pan_clear=False)
    turn.record("cup.tared", {"cup_g": grams(cup_g)})
    turn.sound(Pattern.TARED)
    begin_part(turn)


def reading_at_away(turn: Turn) -> None:
    """Believe the cup again only when it rests and weighs what it must."""
    w, batch = turn.bench.weighing, turn.batch
    if not w.stable or w.settled_g is None or batch.believed_g is None:
        return
    empty = turn.bench.empty_g or 0.0
    change = w.settled_g - batch.believed_g
    division = w.scale.division_g
    if same_load(change, batch.believed_g - empty, division):
        resume(turn)
        return
    if w.settled_g - empty < lift_level_g(batch):
        if batch.lost and abs(w.settled_g) <= max(1.0, 3 * division):
            ask(turn, Doubt.REZEROED, change, batch.back_to)
        return
    ask(turn, Doubt.RETURNED, change, batch.back_to)


def resume(turn: Turn) -> None:
    """The cup is believed again: go on where it was."""
    turn.put_batch(phase=turn.batch.back_to, lost=False, question=None, below=0)


def reading_at_confirm(turn: Turn) -> None:
    """While the person is asked: the answer may also come from the pan itself."""
    batch, w = turn.batch, turn.bench.weighing
    assert batch.question is not None
    if batch.question.doubt is Doubt.SLOW_CUP:
        load = (w.gross_g or 0.0) - (turn.bench.empty_g or 0.0)
        if w.gross_g is not None and load < min_cup_g(turn.bench):
            turn.put_batch(phase=Phase.CUP, question=None, arrives_from_s=None)
        return
    if batch.question.doubt is Doubt.RETURNED and gone(turn):
        turn.put_batch(phase=Phase.AWAY, question=None, below=0)
        return
    reading_at_away(turn)


def confirm(turn: Turn) -> None:
    """The person says that what the scale shows is right."""
    batch, w = turn.batch, turn.bench.weighing
    assert batch.question is not None
    doubt = batch.question.doubt
    if doubt is Doubt.SLOW_CUP:
        tare_cup(turn)
        return
    settled = w.settled_g if w.settled_g is not None else w.gross_g
    assert settled is not None and batch.believed_g is not None
    change = settled - batch.believed_g
    if doubt is Doubt.REZEROED:
        turn.put(empty_g=(turn.bench.empty_g or 0.0) + change)
    elif batch.sign * change > 0 and batch.back_to is Phase.POUR:
        change = 0.0  # it was poured while the cup was off the pan: the part's own
    if change:
        turn.put_batch(base_g=batch.base_g + change)
        if batch.pour is not None:
            turn.put_batch(pour=replace(batch.pour, base_g=batch.pour.base_g + change))
    turn.put_batch(believed_g=settled)
    resume(turn)
