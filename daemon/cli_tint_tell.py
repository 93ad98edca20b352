"""What is told of a jug's colour: lines for the person, members for a program.

Owns the wording. Decides nothing and reads nothing.
"""

from __future__ import annotations

from typing import Any

from recipes.tint_ledger import Judge, Ledger, Trial, Weighed, weighing_error_pct
from recipes.tint_next import Advice
from recipes.tint_rescue import Rescue

CAUTION = (
    "Colour must be dry and made for this resin: water in it foams with an isocyanate. Its maker's "
    "data sheet and that of the resin say how much may go in."
)


def contents(ledger: Ledger) -> str:
    """What is in the jug, in one line."""
    parts = [f"{_g(ledger.base_g)} base", *(f"{_g(grams)} {name}" for name, grams in ledger.dyes)]
    share = f"; {100 * ledger.fraction:.3f} % dye" if ledger.dyes else ""
    return f"Jug {ledger.jug}: {', '.join(parts)}{share}."


def _g(grams: float) -> str:
    """Grams with as many digits as are worth reading."""
    decimals = 1 if grams >= 100 else 2 if grams >= 1 else 3
    return f"{grams:.{decimals}f} g"


def added(ledger: Ledger, usual: float | None, division_g: float) -> str:
    """That the last dose is in, and what it leaves open. Untinted base is no dose.

    `usual` is the strength of the dose before it of that dye, None where it is the first.
    """
    said = contents(ledger)
    if ledger.before is not None and ledger.before.doses == ledger.doses:
        return said
    dose = ledger.doses[-1]
    if division_g > 0:
        error = weighing_error_pct(dose.grams, division_g)
        said += f" The scale's division leaves ±{error:.1f} % of this {dose.dye} open."
    if usual is not None and dose.strength != usual:
        said += (
            f" Booked{_strength(dose.strength) or ' as neat dye'}; the dose before was"
            f"{_strength(usual) or ' neat'}. If that was a slip: `benchpour tint undo`."
        )
    return said


def trial(one: Trial) -> str:
    """How a trial looked."""
    said = []
    if one.lab is not None:
        said.append(f"L*a*b* {_lab(one.lab)}{' off a photograph' if one.rough else ''}")
    if one.wet_lab is not None:
        said.append(f"wet {_lab(one.wet_lab)}")
    if one.judge is Judge.MATCH:
        said.append("matches")
    elif one.judge is not None:
        said.append(f"{one.judge.value}{f' ({one.by.value})' if one.by else ''}")
    if one.toward is not None:
        said.append(f"leans to {one.toward}")
    return ", ".join(said)


def _lab(lab: tuple[float, float, float]) -> str:
    return " ".join(f"{value:.1f}" for value in lab)


# -- status ------------------------------------------------------------------------------------


def status_sheet(ledger: Ledger, other: Weighed | None) -> dict[str, Any]:
    """`tint status --json`."""
    sheet: dict[str, Any] = {
        "jug": ledger.jug,
        "jug_g": round(ledger.jug_g, 4),
        "base_g": round(ledger.base_g, 4),
        "dyes": {name: round(grams, 6) for name, grams in ledger.dyes},
        "fraction": round(ledger.fraction, 9),
        "target_lab": ledger.target_lab,
        "trials": [_trial_sheet(one) for one in ledger.trials],
    }
    if other is not None:
        doses = [{"dye": d.dye, "grams": d.grams, "strength": d.strength} for d in other.doses]
        sheet["same_colour"] = {"base_g": other.base_g, "doses": doses}
    return sheet


def _trial_sheet(one: Trial) -> dict[str, Any]:
    found: dict[str, Any] = {
        "per_g_base": {name: round(amount, 9) for name, amount in one.amounts},
        "lab": one.lab,
        "wet_lab": one.wet_lab,
        "judge": one.judge,
        "by": one.by,
        "toward": one.toward,
    }
    return {key: value for key, value in found.items() if value is not None}


def status_lines(ledger: Ledger, other: Weighed | None, division_g: float) -> list[str]:
    """`tint status` for the person."""
    lines = [contents(ledger)]
    if ledger.target_lab is not None:
        lines.append(f"Target: L*a*b* {_lab(ledger.target_lab)}.")
    if ledger.doses and division_g > 0:
        dose = ledger.doses[-1]
        error = weighing_error_pct(dose.grams, division_g)
        lines.append(
            f"Last dose: {_g(dose.grams)} of {dose.dye}{_strength(dose.strength)}, ±{error:.1f} % "
            f"on a division of {division_g:g} g."
        )
    lines += [f"Trial {k}: {trial(one)}." for k, one in enumerate(ledger.trials, 1)]
    if other is not None:
        doses = [f"{_g(d.grams)} of {d.dye}{_strength(d.strength)}" for d in other.doses]
        total_g = other.base_g + sum(d.grams for d in other.doses)
        lines.append(
            f"The same colour for {_g(total_g)}: {', '.join([f'{_g(other.base_g)} base', *doses])}."
        )
    return lines


def _strength(strength: float) -> str:
    return "" if strength == 1 else f" at {100 * strength:g} %"


# -- what to do --------------------------------------------------------------------------------


def advice_sheet(ledger: Ledger, advice: Advice, risk_pct: float) -> dict[str, Any]:
    """`tint next --json`. Grams are as weighed: of a concentrate, its own."""
    add = [
        {
            "dye": one.dye,
            "grams": one.grams,
            "low_g": one.low_g,
            "high_g": one.high_g,
            "best_g": one.best_g,
            "strength": one.strength,
        }
        for one in advice.add
    ]
    return {"jug": ledger.jug, "add": add, "why": advice.why, "risk_pct": risk_pct}


def advice_lines(ledger: Ledger, advice: Advice) -> list[str]:
    """`tint next` for the person."""
    lines = [
        f"Jug {ledger.jug}: weigh in {_g(one.grams)} of {one.dye}{_strength(one.strength)}; what "
        f"reaches the target lies between {_g(one.low_g)} and {_g(one.high_g)} (19 times in 20)."
        for one in advice.add
    ]
    return [*(lines or [f"Jug {ledger.jug}: nothing goes in."]), advice.why]


def rescue_sheet(ledger: Ledger, found: Rescue) -> dict[str, Any]:
    """`tint rescue --json`."""
    return {
        "jug": ledger.jug,
        "base_to_add_g": found.base_to_add_g,
        "low_g": found.low_g,
        "high_g": found.high_g,
        "jug_g_after": found.jug_g_after,
        "needed_g": None if found.needed_g is None else round(found.needed_g, 1),
        "why": found.why,
    }


def rescue_lines(ledger: Ledger, found: Rescue) -> list[str]:
    """`tint rescue` for the person."""
    if not found.base_to_add_g or found.low_g is None or found.high_g is None:
        return [f"Jug {ledger.jug}: {found.why}"]
    between = f"19 times in 20 between {_g(found.low_g)} and {_g(found.high_g)}"
    after = _g(found.jug_g_after or 0.0)
    return [
        f"Jug {ledger.jug}: {_g(found.base_to_add_g)} of base bring it back ({between}); it then "
        f"holds {after}.",
        found.why,
        "Weigh the base in with `benchpour tint add base`.",
    ]
