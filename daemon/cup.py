"""The cup: put down and tared, lifted and put back, doubted and confirmed.

Owns when what rests on the pan is taken for the cup. Knows nothing of cues.
"""

from __future__ import annotations

from dataclasses import replace

from daemon.batch import (
    Batch,
    Doubt,
    Held,
    Phase,
    Question,
    grams,
    has_begun,
    lift_level_g,
    same_load,
    with_poured,
)
from daemon.bench import Bench, Turn
from daemon.effects import Pattern
from daemon.first_drop import begin_part
from daemon.mixing import contact
from daemon.presence import ask, gone, held, let_go, min_cup_g, near_nought_g
from daemon.weighing import ScaleTraits

SLOW_CUP_S = 3.0
"""A cup is put down in less, beside the slowest scale; what comes steadily for longer may be resin
that is poured before the tare. A scale known to be quick shows it sooner."""
PUT_DOWN_S = 1.2
HEAVY_CUP = 2.0
HEAVY_CUP_G = 10.0
"""No two cups weigh the same, but none weighs twice as much as the last one, and these grams:
there is something in it. (Common practice, no source.)"""
FOUND_CUP_G = 60.0
"""Up to this what stands on the pan when the daemon starts is taken for the cup: it is tared away,
so that it does not matter what it weighs. What is heavier may hold resin of this very batch."""
MOST_AT_ONCE = 1.5
MOST_AT_ONCE_G = 20.0
"""A container that comes back lighter by more than the target, half as much again and these grams,
is another container."""
RAN_ON_S = 4.0
"""How long a pour may have gone on after the scale was lost: the silence and the reaction."""


# --- put down and tared --------------------------------------------------------------------------


def reading_at_cup(turn: Turn) -> None:
    """Watch for a cup on a pan that has been seen empty, and tare it once it rests."""
    see_bare_pan(turn)
    _watch_arrival(turn)
    w = turn.bench.weighing
    if not w.stable or w.settled_g is None:
        return
    load = w.settled_g - (turn.bench.empty_g or 0.0)
    zeroed = w.settled_g <= near_nought_g(turn.bench)
    if load < min_cup_g(turn.bench) or (zeroed and not turn.batch.pan_clear):
        turn.put(empty_g=w.settled_g, pan_clear=True)
        turn.put_batch(pan_clear=True, arrives_from_s=None, question=None)
    elif turn.batch.pan_clear:
        doubt = _doubt_about_cup(turn.bench, turn.batch, load)
        if doubt is not None:
            ask(turn, doubt, load, Phase.CUP)
        else:
            tare_cup(turn)


def see_bare_pan(turn: Turn) -> None:
    """A pan near nought is bare, though a display that flickers may not call it at rest yet."""
    w = turn.bench.weighing
    if turn.bench.empty_g is not None or w.gross_g is None:
        return
    # The first reading of a cup that is just being put down may be as small as that, too.
    lies = abs(w.gross_g) <= near_nought_g(turn.bench) or (w.rest is not None and w.rest.n > 1)
    if lies and abs(w.gross_g) < min_cup_g(turn.bench):
        turn.put(empty_g=w.gross_g)


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
    elif load > batch.arrives_high_g + slack:
        turn.put_batch(arrives_high_g=load, arrives_until_s=turn.at_s)


def _doubt_about_cup(bench: Bench, batch: Batch, load_g: float) -> Doubt | None:
    """Whether there may be resin in the cup already.

    It was there before the pan was ever seen empty and may be anything, or it came on slowly, or it
    is too heavy. Of a container only what comes out of it counts, so it may be found there.
    """
    scale, usual = bench.weighing.scale, bench.usual_cup_g
    found = bench.empty_g is None and usual is None and not batch.loss
    if found and load_g > FOUND_CUP_G:
        return Doubt.FOUND_CUP
    if _zero_key(bench, batch):
        return Doubt.ZEROED
    if batch.arrives_from_s is not None:
        lasted = batch.arrives_until_s - batch.arrives_from_s
        if lasted > _put_down_s(scale):
            return Doubt.SLOW_CUP
    if usual is None or not _is_fresh_cup(batch):
        return None
    return Doubt.HEAVY_CUP if load_g > HEAVY_CUP * usual + HEAVY_CUP_G else None


def _zero_key(bench: Bench, batch: Batch) -> bool:
    """Whether a pan that read far below nought came up towards it with nothing in between.

    That is the zero key, and the pan may be as bare as before; a cup comes through the scale's
    filter.
    """
    settled = bench.weighing.settled_g
    if settled is None or settled > near_nought_g(bench):
        return False
    at_once = batch.arrives_from_s is None or batch.arrives_until_s <= batch.arrives_from_s
    return at_once and (bench.empty_g or 0.0) <= -min_cup_g(bench)


def _put_down_s(scale: ScaleTraits) -> float:
    """How long this scale may show a cup arriving that was simply put down."""
    shows_s = min(SLOW_CUP_S, PUT_DOWN_S + 3 * (scale.lag_s + scale.dead_s))
    return shows_s + 2 * scale.interval_s


def _is_fresh_cup(batch: Batch) -> bool:
    """Whether the cup to come is to be empty: no container, and no cup that holds its part."""
    index = batch.cup_of
    return not batch.loss and index is not None and batch.poured_g[index] is None


def tare_cup(turn: Turn) -> None:
    """Take what rests on the pan as the cup, and begin the first (or next) part."""
    w = turn.bench.weighing
    assert w.settled_g is not None
    empty = turn.bench.empty_g or 0.0
    cup_g = w.settled_g - empty
    turn.put(empty_g=empty)
    if _is_fresh_cup(turn.batch):
        turn.put(usual_cup_g=cup_g)
    turn.put_batch(cup_g=cup_g, in_cup_of=turn.batch.cup_of, question=None)
    turn.put(pan_clear=False)
    turn.record("cup.tared", {"cup_g": grams(cup_g)})
    turn.sound(Pattern.TARED)
    begin_part(turn)


# --- lifted and put back -------------------------------------------------------------------------


def reading_at_away(turn: Turn) -> None:
    """Believe the cup again only when it rests and weighs what it must."""
    w, batch = turn.bench.weighing, turn.batch
    if not w.stable or w.settled_g is None or batch.believed_g is None:
        return
    if _zeroed_under_the_cup(turn, w.settled_g):
        return
    empty = turn.bench.empty_g or 0.0
    change, load = w.settled_g - batch.believed_g, w.settled_g - empty
    if load < lift_level_g(batch, empty):
        if batch.lost and abs(w.settled_g) <= near_nought_g(turn.bench):
            ask(turn, Doubt.REZEROED, change, batch.back_to)
    elif batch.loss and batch.back_to is Phase.POUR:
        _container_back(turn, change)
    elif same_load(change, batch.believed_g - empty, w.scale.division_g):
        if not batch.lost:
            shift_base(turn, change)  # it was lifted: it stands elsewhere on the pan
        resume(turn)
    elif _taken_out(batch, change) or _ran_on(batch, change):
        resume(turn)
    elif _looks_like_a_fresh_cup(batch, load, change):
        ask(turn, Doubt.OTHER_CUP, change, batch.back_to)
    else:
        ask(turn, Doubt.RETURNED, change, batch.back_to)


def _container_back(turn: Turn, change_g: float) -> None:
    """A container is back. Lighter: it was poured from in the hand, unless far too much is gone."""
    batch, division = turn.batch, turn.bench.weighing.scale.division_g
    poured, to_go = -change_g, (batch.aimed_g[batch.queue[0]] or 0.0)
    if -division <= poured <= MOST_AT_ONCE * to_go + MOST_AT_ONCE_G:
        _poured_from(turn, poured)
    elif poured < 0 and not has_begun(batch):
        tare_cup(turn)  # another container, before anything came out of the first
    else:
        ask(turn, Doubt.RETURNED, change_g, batch.back_to)


def _ran_on(batch: Batch, change_g: float) -> bool:
    """Whether the scale was lost in the middle of a pour, and the cup is as much heavier as that.

    The cup was not lifted, so all that is in it is on the scale.
    """
    if not batch.lost or batch.back_to is not Phase.POUR:
        return False
    return 0 < batch.sign * change_g <= RAN_ON_S * batch.flowed_g_per_s


def _zeroed_under_the_cup(turn: Turn, settled_g: float) -> bool:
    """The bare pan reads far below nought: the scale was zeroed with the cup on it.

    No load is negative, so this is the bare pan, and the cup will come back that much lower.
    """
    empty = turn.bench.empty_g or 0.0
    if settled_g > empty - min_cup_g(turn.bench):
        return False
    shift_base(turn, settled_g - empty)
    believed = turn.batch.believed_g
    assert believed is not None
    turn.put_batch(believed_g=believed + settled_g - empty)
    turn.put(empty_g=settled_g)
    return True


def _poured_from(turn: Turn, poured_g: float) -> None:
    """What is missing was poured; if it was the first to touch the rest, when it was lifted."""
    batch, division = turn.batch, turn.bench.weighing.scale.division_g
    first = batch.contact_at_s is None and not batch.recipe.cup.one_per_part
    if poured_g > division and first and batch.current == batch.recipe.contact_part:
        contact(turn, batch.away_at_s)
    resume(turn)


def _taken_out(batch: Batch, change_g: float) -> bool:
    """Whether some of a lone item that was over has been taken out while the cup was off."""
    over = batch.back_to is Phase.DECIDE and batch.alone and bool(batch.queue)
    return over and not batch.lost and batch.sign * change_g < 0


def _looks_like_a_fresh_cup(batch: Batch, load_g: float, change_g: float) -> bool:
    """Whether a cup without resin came back in place of the one with the first part in it.

    Where nobody saw a cup leave and this one is heavier, it was rather poured on unseen.
    """
    if batch.lost and change_g > 0:
        return False
    if batch.back_to is not Phase.POUR or not batch.alone or batch.loss or batch.round > 1:
        return False
    return abs(load_g - batch.cup_g) <= max(HEAVY_CUP_G, 0.3 * batch.cup_g)


def shift_base(turn: Turn, by_g: float) -> None:
    """The same resin shows `by_g` more on the scale than before."""
    batch = turn.batch
    turn.put_batch(base_g=batch.base_g + by_g)
    if batch.pour is not None:
        turn.put_batch(pour=replace(batch.pour, base_g=batch.pour.base_g + by_g))


def resume(turn: Turn) -> None:
    """The cup is believed again: go on where it was."""
    w, batch = turn.bench.weighing, turn.batch
    rests = w.settled_g if w.settled_g is not None else batch.believed_g
    turn.put_batch(
        phase=batch.back_to,
        lost=False,
        question=None,
        below=0,
        seen_g=rests,
        seen_at_s=turn.at_s,
        believed_g=rests,
    )
    let_go(turn)


# --- doubted and confirmed -----------------------------------------------------------------------


def reading_at_confirm(turn: Turn) -> None:
    """While the person is asked: the answer may also come from the pan itself."""
    question = turn.batch.question
    assert question is not None
    if turn.batch.back_to is Phase.CUP:
        _cup_may_leave(turn)
    elif question.doubt is Doubt.RESTING:
        _thing_may_leave(turn)
    elif question.doubt is not Doubt.REZEROED and gone(turn):
        turn.put_batch(phase=Phase.AWAY, question=None, below=0)
    else:
        reading_at_away(turn)


def _cup_may_leave(turn: Turn) -> None:
    """The cup that is doubted is taken away; or one comes onto a pan that was bare at nought."""
    gross, empty, least = turn.bench.weighing.gross_g, turn.bench.empty_g, min_cup_g(turn.bench)
    question = turn.batch.question
    assert question is not None
    if gross is None:
        return
    bare = (empty or 0.0) + question.change_g
    if question.doubt is Doubt.ZEROED and gross >= bare + least:
        turn.put(empty_g=bare)
        turn.put_batch(phase=Phase.CUP, question=None, arrives_from_s=None)
    elif gross - (empty or 0.0) < least:
        turn.put_batch(phase=Phase.CUP, question=None, arrives_from_s=None)
    elif question.doubt is not Doubt.ZEROED:
        _ask_anew(turn, question)


def _ask_anew(turn: Turn, question: Question) -> None:
    """What is asked about has become more or less meanwhile: the answer is to be about that."""
    w, empty = turn.bench.weighing, turn.bench.empty_g or 0.0
    if not w.stable or w.settled_g is None:
        return
    if abs(w.settled_g - empty - question.change_g) > max(0.5, 3 * w.scale.division_g):
        ask(turn, question.doubt, w.settled_g - empty, Phase.CUP)


def _thing_may_leave(turn: Turn) -> None:
    if gone(turn):
        turn.put_batch(phase=Phase.AWAY, question=None, below=0, held=Held.NOT, away_at_s=turn.at_s)
    elif not held(turn):
        turn.put_batch(phase=Phase.POUR, question=None)


def confirm(turn: Turn) -> None:
    """The person says that what the scale shows is right; it rests."""
    batch, w = turn.batch, turn.bench.weighing
    assert batch.question is not None and w.settled_g is not None
    match batch.question.doubt:
        case Doubt.FOUND_CUP | Doubt.SLOW_CUP | Doubt.HEAVY_CUP | Doubt.ZEROED:
            tare_cup(turn)
        case Doubt.OTHER_CUP:
            assert batch.current is not None
            turn.put(batch=with_poured(batch, batch.current, None))
            tare_cup(turn)
        case Doubt.REZEROED:
            assert batch.believed_g is not None
            change = w.settled_g - batch.believed_g
            turn.put(empty_g=(turn.bench.empty_g or 0.0) + change)
            shift_base(turn, change)
            resume(turn)
        case Doubt.RETURNED | Doubt.RESTING:
            assert batch.believed_g is not None
            change = w.settled_g - batch.believed_g
            if not _counts_as_poured(batch, change):
                turn.put_batch(cup_g=batch.cup_g + change)  # it belongs to the tare from now on
                shift_base(turn, change)
            resume(turn)


def _counts_as_poured(batch: Batch, change_g: float) -> bool:
    """Whether a confirmed change is resin of the present item.

    More is: it was poured meanwhile, in the hand or in a gulp; but what came on before the first
    drop is a thing that stays in the cup. Less is only where a cup comes back from the hand and
    nothing else can have been spilled from it; what goes off the pan by itself is a thing. A
    container that is confirmed is another one.
    """
    assert batch.question is not None
    if batch.question.doubt is Doubt.RETURNED:
        return not batch.loss and (change_g > 0 or batch.alone)
    return has_begun(batch) and batch.sign * change_g > 0
