"""The one caution that belongs to what is done now.

Owns the cautions and which one it is. Knows nothing of the other sentences, and decides nothing.
"""

from __future__ import annotations

from daemon.batch import Phase
from daemon.bench import Bench
from daemon.finishing import SHARED, Live, Mark
from daemon.marks import due_now
from daemon.prompts import OPENING_ORDER
from recipes.model import Role

ISOCYANATE = (
    "Isocyanate: ventilate; gloves do not stop vapour and it can sensitise for life. "
    "Respirator and all else as the maker's data sheet says."
)
DAMP = "Keep water out: a damp cup, stick or colour makes it foam. Never seal foaming waste."
HEAT = (
    "It heats itself: do not leave a big or left-over cup standing full; set it outside or in sand."
)
EPOXY = "Epoxy and hardener: gloves and air; both can sensitise. Follow the maker's data sheet."
TANK = "Tank within its rating, lid clamped, relief valve free; local rules and licensed practice."
VENT = f"Opening order: {OPENING_ORDER}."
DUST = "Green castings may hold free isocyanate: extract or wet the dust; follow the data sheet."


def caution(bench: Bench) -> str:
    """The one caution that belongs to this step; empty where none does."""
    batch, later = bench.batch, _later_caution(bench)
    if batch is None or (batch.phase is Phase.CUP and later):
        return later
    if batch.phase is Phase.STIR and later in (TANK, VENT):
        return later
    roles = batch.recipe.cautions_for
    if batch.phase is Phase.STIR or (batch.phase is Phase.CUP and not bench.pan_clear):
        return HEAT if not batch.recipe.is_fill else ""
    if Role.ISOCYANATE in roles:
        return DAMP if batch.phase is Phase.CUP else ISOCYANATE
    if Role.EPOXY in roles:
        return EPOXY
    return ""


def _later_caution(bench: Bench) -> str:
    """The caution for what is due on the batches that are mixed, the oldest first."""
    item = due_now(bench)
    if item is None:
        return ""
    live = next((one for one in bench.lives if one.number == item.batch), None)
    return _caution_at(live, item.mark) if live is not None else ""


def _caution_at(live: Live, mark: Mark) -> str:
    if mark in SHARED:
        return VENT
    if mark is Mark.IN_TANK:
        return TANK
    if mark in (Mark.STIRRED, Mark.POURED):
        return HEAT
    return DUST if Role.ISOCYANATE in live.recipe.cautions_for else ""
