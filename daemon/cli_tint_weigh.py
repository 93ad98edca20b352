"""A mass taken from the scale by two readings, before and after: the talk with the person.

Owns the questions and what the answers come to. Knows nothing of colours, nor of how the scale is
read.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

from daemon.cli import CommandFailedError
from daemon.cli_tint_pan import Pan, Rest, at_rest, pan_of
from daemon.config import Config


@dataclass(frozen=True, slots=True)
class Weighed:
    """Two resting readings that the person agreed to, and the step that the scale shows in."""

    before_g: float
    after_g: float
    division_g: float

    @property
    def grams(self) -> float:
        """The mass: loss of what it was poured from, or gain of what it was poured into."""
        return round(abs(self.after_g - self.before_g), 4)

    def told(self) -> dict[str, Any]:
        """For the record."""
        return {
            "before_g": self.before_g,
            "after_g": self.after_g,
            "division_g": self.division_g,
        }


def weighed(config: Config, what: str) -> Weighed:
    """A mass of `what`, weighed in now.

    Raises CommandFailedError where the scale cannot be read, nothing changed, or the person breaks
    it off.
    """
    with pan_of(config) as pan:
        found = _two_readings(pan, what)
        print("Take everything off the pan before the next cup.", flush=True)
        return found


def _two_readings(pan: Pan, what: str) -> Weighed:
    before_g, _ = _rest(pan, f"Put the jug on the pan, or what the {what} is in, and press Enter.")
    after_g, division_g = _rest(
        pan, f"Weigh the {what} in. Then, with the same thing on the pan, press Enter."
    )
    found = Weighed(before_g, after_g, division_g)
    if found.grams < division_g / 2:
        raise CommandFailedError(
            f"The scale shows no difference: {before_g:g} g before and after. Nothing was booked; "
            "less than a division cannot be weighed here."
        )
    way = "came in" if after_g > before_g else "went out"
    answer = _line(f"{found.grams:g} g {way}. Enter books them as {what}; n drops them.")
    if answer.strip().lower().startswith("n"):
        raise CommandFailedError("Nothing was booked.")
    return found


def _rest(pan: Pan, prompt: str) -> Rest:
    _line(prompt)
    found = at_rest(pan)
    print(f"  It rests at {found[0]:g} g.", flush=True)
    return found


def _line(prompt: str) -> str:
    """What the person types; a closed input ends it."""
    print(prompt, flush=True)
    line = sys.stdin.readline()
    if not line:
        raise CommandFailedError("The weighing was broken off; nothing was booked.")
    return line
