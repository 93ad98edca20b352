"""Whether the cup is on the pan, alone, and the one that was there.

Owns the doubts about what rests on the scale. Knows nothing of parts, targets or cues.
"""

from __future__ import annotations

from daemon.batch import Doubt, Phase, Question, lift_level_g
from daemon.bench import Bench, Turn
from daemon.effects import Pattern

RESTING_G = 4.0
"""What stays after a jump that no pour makes, and is more than this, is a thing on the pan."""


def min_cup_g(bench: Bench) -> float:
    """The least load that can be a cup: above a drifting zero, below the lightest paper cup."""
    return max(2.0, 4 * bench.weighing.scale.division_g)


def keep_believed(turn: Turn) -> None:
    """Remember the load while nothing but resin moves it."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None or w.disturbed:
        return
    if w.stable or batch.sign * w.flow_g_per_s >= -0.5:
        turn.put_batch(believed_g=w.settled_g if w.settled_g is not None else w.gross_g)


def rests_on_pan(turn: Turn) -> bool:
    """Whether a jump that no pour makes has come to rest as more than it left behind: a thing."""
    w, batch = turn.bench.weighing, turn.batch
    if w.disturbed:
        if not batch.jumped:
            turn.put_batch(jumped=True)
        return False
    if not batch.jumped or not w.stable or w.settled_g is None or batch.believed_g is None:
        return False
    turn.put_batch(jumped=False)
    change = w.settled_g - batch.believed_g
    if abs(change) <= max(RESTING_G, 5 * w.scale.division_g):
        return False
    ask(turn, Doubt.RESTING, change, Phase.POUR)
    return True


def gone(turn: Turn) -> bool:
    """Two readings in a row below what a cup on the pan must show."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None:
        return False
    load = w.gross_g - (turn.bench.empty_g or 0.0)
    below = batch.below + 1 if load < lift_level_g(batch) else 0
    if below != batch.below:
        turn.put_batch(below=below)
    return below >= 2


def has_left(turn: Turn) -> bool:
    """Whether the cup has left the pan; the batch then waits for it to come back."""
    if not gone(turn):
        return False
    batch, pour = turn.batch, turn.batch.pour
    untouched = batch.landed_g == 0 and batch.round == 1 and not batch.own_cups
    if untouched and pour is not None and pour.begun_at_s is None:
        turn.put_batch(phase=Phase.CUP, pan_clear=True, pour=None, arrives_from_s=None, below=0)
        turn.put(pan_clear=True)
        return True
    turn.put_batch(phase=Phase.AWAY, back_to=batch.phase, lost=False, below=0)
    return True


def go_away(turn: Turn) -> None:
    """The scale is lost, silent or overloaded: keep the cup's state, believe nothing."""
    batch = turn.bench.batch
    if batch is None or batch.phase in (Phase.CUP, Phase.STIR, Phase.COMBINE):
        return
    if batch.phase not in (Phase.AWAY, Phase.CONFIRM):
        turn.put_batch(back_to=batch.phase)
    turn.put_batch(phase=Phase.AWAY, lost=True, below=0, question=None)


def ask(turn: Turn, doubt: Doubt, change_g: float, back_to: Phase) -> None:
    """Ask the person what only they can know."""
    if turn.batch.phase is not Phase.CONFIRM:
        turn.sound(Pattern.ASK)
    turn.put_batch(phase=Phase.CONFIRM, back_to=back_to, question=Question(doubt, change_g))
