"""The pan of a weighing by two readings: when it is believed, and when it is given up."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from daemon.cli import CommandFailedError
from daemon.cli_tint_pan import CALM_LOOKS, LOOK_EVERY_S, LOOKS, Rest, at_rest

MOVING = None


class Looked:
    """A pan that shows one thing after the other, the last one for ever; what was waited for it."""

    def __init__(self, shown: Iterable[Rest | None]) -> None:
        self.shown = list(shown)
        self.looks = 0
        self.waited_s = 0.0

    def look(self) -> Rest | None:
        """The next that it shows."""
        self.looks += 1
        return self.shown.pop(0) if len(self.shown) > 1 else self.shown[0]

    def pause(self, seconds: float) -> None:
        """No time passes but on paper."""
        self.waited_s += seconds


def test_a_pan_is_believed_once_it_has_shown_the_same_for_a_while() -> None:
    pan = Looked([MOVING, (12.0, 0.1), (12.0, 0.1), MOVING, (13.5, 0.1)])
    assert at_rest(pan, pan.pause) == (13.5, 0.1)
    assert pan.looks == 4 + 1 + CALM_LOOKS
    assert pan.waited_s == pytest.approx((pan.looks - 1) * LOOK_EVERY_S)


def test_a_pan_that_goes_on_moving_is_given_up_with_nothing_booked() -> None:
    pan = Looked([MOVING])
    with pytest.raises(CommandFailedError, match=r"does not come to rest.*nothing was booked"):
        at_rest(pan, pan.pause)
    assert pan.looks == LOOKS
