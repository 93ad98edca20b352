"""What `tint` does to the bench: base, doses, trials into the record; the pan lent for a weighing.

Owns what such a command must hold. The ledgers themselves are kept by `tint_book`; how dye becomes
colour is in `recipes`. Knows no socket and no terminal.
"""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite
from typing import Any

from daemon.batch import Phase
from daemon.bench import Turn
from daemon.marks import RefusedError
from daemon.openings import colour_changed
from daemon.presence import is_untouched
from daemon.tint_bench import lent
from daemon.tint_book import after, ledger_of, weighed_by_ledger
from recipes.tint_ledger import BASE, By, Judge, Ledger, LedgerError

LENT_S = 20.0
"""So long a pan is lent for. Whoever weighs asks again meanwhile; one who is gone does not, and
then it is the batch's again."""
MOST_G = 100_000.0
NOTHING: dict[str, Any] = {"base_g": 0.0, "dyes": {}, "fraction": 0.0}
"""The state of a jug that was begun by mistake and is in no ledger any more."""
CODES = ("rgb", "ref_rgb")
READINGS = ("before_g", "after_g")


def tint(turn: Turn, do: dict[str, Any]) -> None:
    """Carry out a `tint` command. Its member `tint` says which; see `_DOES`."""
    what = _DOES.get(str(do.get("tint")))
    if what is None:
        raise RefusedError(f"There is no such tint command; there are {', '.join(_DOES)}.")
    before = turn.bench.tints
    try:
        what(turn, do)
    except LedgerError as error:
        raise RefusedError(str(error)) from None
    tints = turn.bench.tints
    if tints is not before:
        turn.put(jugs=tuple(weighed_by_ledger(jug, tints) for jug in turn.bench.jugs))
        colour_changed(turn)


def _start(turn: Turn, do: dict[str, Any]) -> None:
    data: dict[str, Any] = {"jug": _word(do, "jug"), "base_g": _grams(do, "base_g")}
    turn.record("tint.started", data | _labs(do, "target_lab") | _weighed(do), None)


def _add(turn: Turn, do: dict[str, Any]) -> None:
    ledger = _ledger(turn, do)
    dye, grams = _word(do, "dye"), _grams(do, "grams")
    data: dict[str, Any] = {"jug": ledger.jug, "dye": dye, "grams": grams}
    if dye != BASE:
        data["strength"] = _number(do.get("strength", 1.0), "strength", 1e-4, 1.0)
    elif "strength" in do:
        raise RefusedError(
            f"{BASE} is untinted resin and has no strength; give a dye its own name."
        )
    then = ledger_of(after(turn.bench.tints, "tint.added", data), ledger.jug)
    turn.record("tint.added", data | _weighed(do) | _state(then), None)


def _test(turn: Turn, do: dict[str, Any]) -> None:
    ledger = _ledger(turn, do)
    data: dict[str, Any] = {"jug": ledger.jug}
    data |= _labs(do, "lab") | _labs(do, "wet_lab") | _judged(do)
    if len(data) == 1:
        raise RefusedError("A trial needs a measured colour or a judgement by eye.")
    if "used_g" in do:
        data["used_g"] = _grams(do, "used_g")
    if "mix" in do:
        data["mix"] = _mix(do["mix"])
    if do.get("photo") is not None:
        data["photo"] = _photo(do["photo"])
    after(turn.bench.tints, "tint.tested", data)  # what cannot be is refused before it is recorded
    turn.record("tint.tested", data | {"fraction": round(ledger.fraction, 8)}, None)


def _undo(turn: Turn, do: dict[str, Any]) -> None:
    """A slip of the finger: the jug's last dose or trial, or its start, never was."""
    data = {"jug": _ledger(turn, do).jug}
    then = after(turn.bench.tints, "tint.undone", data)
    known = any(one.jug == data["jug"] for one in then)
    state = _state(ledger_of(then, data["jug"])) if known else NOTHING
    turn.record("tint.undone", data | state, None)


def _lend(turn: Turn, do: dict[str, Any]) -> None:
    """Whatever is put on the pan for now is no cup and no resin. Asked again, it is so for longer.

    `by` tells one weighing from another.
    """
    batch, by = turn.bench.batch, str(do.get("by") or "")
    if lent(turn.bench, turn.at_s) and by != turn.bench.lent_to:
        raise RefusedError("The pan is lent for another weighing. Finish that one first.")
    if batch is not None and not is_untouched(batch):
        raise RefusedError(
            f"Batch {batch.number} is on the scale. Finish it first, or weigh elsewhere and give "
            "--grams."
        )
    # Whoever never gives it back: what still stands on it then must go before a cup comes.
    turn.put(lent_until_s=turn.at_s + LENT_S, lent_to=by, pan_clear=False)
    if batch is not None:
        # What had been tared by now may be the bottle: a cup comes later.
        turn.put_batch(phase=Phase.CUP, pour=None, question=None)
        turn.put_batch(pan_clear=False, arrives_from_s=None)


def _give_back(turn: Turn, do: dict[str, Any]) -> None:
    """The pan is the batch's again, unless another has it by now."""
    if str(do.get("by") or "") == turn.bench.lent_to:
        turn.put(lent_until_s=None, lent_to="")


_DOES: dict[str, Callable[[Turn, dict[str, Any]], None]] = {
    "start": _start,
    "add": _add,
    "test": _test,
    "undo": _undo,
    "lend": _lend,
    "return": _give_back,
}


def _ledger(turn: Turn, do: dict[str, Any]) -> Ledger:
    return ledger_of(turn.bench.tints, do.get("jug"))


def _state(ledger: Ledger) -> dict[str, Any]:
    """What is in the jug now, for whoever reads the journal."""
    return {
        "base_g": round(ledger.base_g, 4),
        "dyes": {name: round(grams, 5) for name, grams in ledger.dyes},
        "fraction": round(ledger.fraction, 8),
    }


# -- what a command must hold ------------------------------------------------------------------


def _word(do: dict[str, Any], key: str) -> str:
    value = do.get(key)
    if (
        not isinstance(value, str)
        or not value.strip()
        or len(value) > 64
        or not value.isprintable()
    ):
        raise RefusedError(f"{key} is a name of at most 64 characters on one line.")
    return value.strip()


def _number(value: Any, key: str, low: float, high: float) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)
    if not good or not low <= value <= high:
        raise RefusedError(f"{key} is a number from {low:g} to {high:g}.")
    return round(float(value), 6)


def _grams(do: dict[str, Any], key: str) -> float:
    return _number(do.get(key), key, 1e-4, MOST_G)


def _labs(do: dict[str, Any], key: str) -> dict[str, list[float]]:
    if key not in do:
        return {}
    value = do[key]
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise RefusedError(f"{key} is three numbers: L*, a*, b*.")
    light = _number(value[0], f"{key}: L*", 0.0, 105.0)
    return {key: [light, *(_number(v, f"{key}: a* and b*", -160.0, 160.0) for v in value[1:])]}


def _photo(value: Any) -> dict[str, list[float]]:
    """What was read off a photograph: the casting, the surface beside it, and that one's colour."""
    if not isinstance(value, dict) or set(value) != {*CODES, "ref_lab"}:
        raise RefusedError("photo is three colours: rgb, ref_rgb and ref_lab.")
    found = {}
    for key in CODES:
        if not isinstance(value[key], list | tuple) or len(value[key]) != 3:
            raise RefusedError(f"{key} is three numbers: red, green, blue.")
        found[key] = [_number(code, key, 0.0, 255.0) for code in value[key]]
    return found | _labs(value, "ref_lab")


def _judged(do: dict[str, Any]) -> dict[str, str]:
    said = {key: str(do[key]) for key in ("judge", "by", "toward") if do.get(key) is not None}
    for key, words in (("judge", Judge), ("by", By)):
        if key in said and said[key] not in set(words):
            raise RefusedError(f"{key} is one of {', '.join(words)}.")
    if "judge" not in said and said:
        raise RefusedError("By how much, and toward which dye, belong to a judgement: judge.")
    return said


def _mix(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict) or not isinstance(value.get("with"), dict):
        raise RefusedError("A trial mix is grams of the jug and what was weighed into it.")
    extra = {str(dye): _grams({"with": g}, "with") for dye, g in value["with"].items()}
    return {"jug_g": _grams(value, "jug_g"), "with": extra}


def _weighed(do: dict[str, Any]) -> dict[str, Any]:
    """The two readings that a mass is the difference of, where it came from the scale."""
    weighed = do.get("weighed")
    if not isinstance(weighed, dict):
        return {}
    found = {key: _number(weighed.get(key), key, -MOST_G, MOST_G) for key in READINGS}
    if "division_g" in weighed:
        found["division_g"] = _number(weighed["division_g"], "division_g", 1e-5, 100.0)
    return {"weighed": found}
