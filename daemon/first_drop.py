"""Up to the first drop: a part is begun, and whatever moves the pan before it is told apart.

Owns from which reading and towards what a pour begins. Knows nothing of what the pour then tells.
"""

from __future__ import annotations

from dataclasses import replace

from daemon import pour as pouring
from daemon.batch import (
    Batch,
    Held,
    Phase,
    goal,
    grams,
    has_begun,
    maybe_grams,
    parts_data,
    with_aim,
    with_poured,
)
from daemon.bench import Turn, hand_of
from daemon.pour import Pour
from daemon.presence import SMALL_THING_G, let_go

LATE_DRIP_S = 4.0
"""What still falls from the spout or runs off the rim so soon after a landing is that part's."""
LATE_DRIP_G = 1.5
DRIFT_G = 1.0
"""How far a zero may drift during one part before a creeping reading is taken for a dribble."""


def begin_part(turn: Turn) -> None:
    """Begin to pour the first item of the queue on the present reading."""
    bench, batch = turn.bench, turn.batch
    w = bench.weighing
    resting = w.settled_g if w.settled_g is not None else batch.believed_g
    assert resting is not None
    turn.put_batch(
        phase=Phase.POUR,
        base_g=resting,
        division_g=w.scale.division_g,
        below=0,
        question=None,
        believed_g=resting,
        seen_g=resting,
        seen_at_s=turn.at_s,
        held=Held.NOT,
        halted=False,
        calming=False,
        rests_g=(resting,),
        still_g=None,
        crept_g=0.0,
    )
    _aim_anew(turn, resting)
    batch = turn.batch
    pour = batch.pour
    assert pour is not None
    data = {
        "part": pour.goal.part,
        "target_g": grams(pour.goal.target_g),
        "stops_g": dict(zip(("coarse", "fine"), map(maybe_grams, pour.stops_g), strict=True)),
    }
    turn.record("part.started", data | ({"round": batch.round} if batch.round > 1 else {}))


def _aim_anew(turn: Turn, base_g: float) -> None:
    """The present item's pour, nothing of it poured at this go, from this reading on."""
    batch = turn.batch
    already = batch.poured_g[batch.queue[0]] or 0.0
    pour = pour_from(turn, base_g, already)
    aimed = with_aim(batch, batch.queue[0], pour.goal.target_g)
    turn.put(batch=replace(aimed, pour=pour, base_g=base_g))


def pour_from(turn: Turn, base_g: float, already_g: float) -> Pour:
    """A pour of the present item from this reading on, `already_g` of it being in the cup."""
    bench, batch = turn.bench, turn.batch
    w = bench.weighing
    aim = goal(batch, w.scale.division_g, bench.settings.risk_pct, already_g)
    pour = pouring.begin(aim, base_g, batch.sign, turn.at_s, w, hand_of(bench), already_g)
    if aim.coarse is None and aim.fine is not None:
        pour = replace(pour, stops_g=(None, aim.fine * aim.target_g))
    return pour


def follow_rest(turn: Turn) -> None:
    """Before the first drop a resting reading may have moved, and the pour begins from there.

    A late drip is the last part's, and so is what is taken out of a first part that was over; a
    drifting zero is followed a little way; a stir stick may stay in the cup.
    """
    w, pour = turn.bench.weighing, turn.batch.pour
    assert pour is not None
    if not w.stable or w.settled_g is None or w.disturbed:
        return
    moved = w.settled_g - pour.base_g
    if abs(moved) < 0.2 * w.scale.division_g:
        return
    if _is_late_drip(turn, moved) or _is_taken_out(turn, moved):
        _give_to_last(turn, moved)
    elif pour.begun_at_s is not None:
        return
    elif _is_drift(turn, moved):
        turn.put_batch(crept_g=turn.batch.crept_g + moved)
    elif not _is_thing(turn, moved):
        return
    _aim_anew(turn, w.settled_g)
    turn.put_batch(believed_g=w.settled_g)
    let_go(turn)


def _is_late_drip(turn: Turn, moved_g: float) -> bool:
    """Whether what came so soon after a landing dripped from the last part's bottle.

    Nobody has the next bottle in hand by then, pours as little and stops, unless told to stop: a
    few drops of dye are a whole part.
    """
    batch = turn.batch
    if _last_landed(batch) is None or batch.landed_at_s is None:
        return False
    if batch.pour is not None and batch.pour.fine_cue is not None:
        return False
    early = turn.at_s - batch.landed_at_s <= LATE_DRIP_S
    seen_g = 0.5 * turn.bench.weighing.scale.division_g
    return early and seen_g <= batch.sign * moved_g <= LATE_DRIP_G


def _is_taken_out(turn: Turn, moved_g: float) -> bool:
    """Whether the first part, which was over, was brought back towards what it was to come to."""
    batch = turn.batch
    if _last_landed(batch) != 0:
        return False
    aimed, poured = batch.aimed_g[0], batch.poured_g[0]
    if aimed is None or poured is None or has_begun(batch):
        return False
    slack = batch.items.items[0].tolerance_g
    return poured > aimed + slack and aimed - slack <= poured + moved_g < poured - slack


def _give_to_last(turn: Turn, moved_g: float) -> None:
    """What has moved is the last part's; the next targets follow."""
    last = _last_landed(turn.batch)
    assert last is not None
    poured = turn.batch.poured_g[last]
    assert poured is not None
    turn.put(batch=with_poured(turn.batch, last, poured + moved_g))
    turn.record("mix.corrected", {"parts": parts_data(turn.batch), "reason": "over"})


def _is_drift(turn: Turn, moved_g: float) -> bool:
    batch, division = turn.batch, turn.bench.weighing.scale.division_g
    if batch.pour is None or batch.pour.foreign_g != 0.0:
        return False
    crept = abs(batch.crept_g + moved_g)
    return abs(moved_g) <= max(3 * division, 0.3) and crept <= max(DRIFT_G, 10 * division)


def _is_thing(turn: Turn, moved_g: float) -> bool:
    """Whether a small thing was left in the cup, or taken out of it again, whatever it weighs."""
    w, batch = turn.bench.weighing, turn.batch
    assert batch.pour is not None and w.settled_g is not None
    off, near = batch.sign * moved_g < 0, max(0.3, 3 * w.scale.division_g)
    if off and any(abs(w.settled_g - rest) <= near for rest in batch.rests_g[:-1]):
        return True
    by_leap = off or batch.pour.foreign_g != 0.0 or batch.held is not Held.NOT
    return by_leap and abs(moved_g) <= SMALL_THING_G


def _last_landed(batch: Batch) -> int | None:
    """The item poured just before into the same cup, while the first round lasts."""
    index = batch.current
    if batch.own_cups or batch.round > 1 or index is None or index == 0:
        return None
    return index - 1 if batch.poured_g[index - 1] is not None else None
