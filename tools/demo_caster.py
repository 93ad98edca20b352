"""A pretend person with ears and eyes, who pours any recipe, batch after batch.

Owns what they do and when, from what they hear and what they see. Knows cues and steps by their
names only; nothing of the program that gives them, and no clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from drivers.scale_sim import ScaleTruth, StreamTruth, World
from drivers.sim_person import PartTruth, PersonTruth, SimPerson, varied
from recipes.amounts import DYE, basis, landing_tolerance_g, targets_g
from recipes.model import Recipe

FINE_BELOW_G = 1.0
"""A part smaller than this is weighed on the finer of the two pretend scales."""
USUAL_DUMP_G_PER_S = 16.0
MOST_CORRECTIONS = 2
LITTLE_S = 1.5
"""Who would have to stop dumping after so short a time trickles from the start."""
UNSEEN_S = 6.0
"""A cup that the program takes no notice of is lifted and put down again."""
TAKE_OFF = "Take what is on the pan off"
"""How the screen begins when the pan has to be bare before the next cup."""
BY_HAND = ("stirred", "cavities filled", "molds in the tank")
"""What they say they have done once it is due; what comes hours later is not in the play."""


@dataclass(frozen=True, slots=True)
class Manner:
    """How long somebody takes for what they do by eye, in seconds.

    The pretend molds are filled, or put into the tank, in a few seconds: nobody waits for a demo.
    """

    decide_s: float = 1.5
    put_s: float = 1.2
    lift_s: float = 1.0
    fill_s: float = 4.0
    combine_s: float = 4.0
    look_s: float = 2.0
    """After an answer they look at the screen again; what still waits is answered once more."""


@dataclass(frozen=True, slots=True)
class Sight:
    """What a glance at the screen, or at the phone, shows.

    `parts` are (name, done) in pouring order; `trickle`: there is nothing to ease off from;
    `take_off`: what stands on the pan is to be taken off it first.
    """

    step: str
    batch: int | None = None
    zone: str | None = None
    part: str | None = None
    to_go_g: float | None = None
    parts: tuple[tuple[str, bool], ...] = ()
    trickle: bool = False
    take_off: bool = False
    needs: str | None = None
    choices: tuple[str, ...] = ()
    due: str | None = None

    @property
    def calls_for_mark(self) -> bool:
        """Whether something is due that the person does at once and says so."""
        return self.due is not None and self.due.startswith(BY_HAND)


def scale_for(recipe: Recipe) -> ScaleTruth:
    """A scale that shows what the recipe needs: 0.1 g, or 0.01 g where a part is tiny."""
    items = basis(recipe)
    if min(targets_g(items, recipe.shot_g)) >= FINE_BELOW_G:
        return ScaleTruth()
    return ScaleTruth(division_g=0.01, noise_g=0.003)


def bottles_for(recipe: Recipe, division_g: float) -> tuple[PartTruth, ...]:
    """A bottle for each part, that flows as fast as its amount and its tolerance ask for."""
    items = basis(recipe)
    targets = targets_g(items, recipe.shot_g)
    return tuple(
        PartTruth(
            name, target, _stream(recipe, target, landing_tolerance_g(items, i, target, division_g))
        )
        for i, (name, target) in enumerate(zip(items.names, targets, strict=True))
    )


def _stream(recipe: Recipe, target_g: float, tolerance_g: float) -> StreamTruth:
    """Some seconds of dump, then a trickle slow enough to be stopped within the tolerance.

    Where the stops are readings nobody looks ahead for them: they pour as slowly as those ask for.
    """
    coarse, fine = recipe.stops.coarse, recipe.stops.fine
    trickle = min(2.0, 7 * tolerance_g, target_g / 3, max(target_g / 36, 0.25))
    dump = max(min(target_g / 4, max(USUAL_DUMP_G_PER_S, target_g / 60)), 2 * trickle)
    if coarse is not None and fine is not None:
        dump = min(dump, 1.2 * (fine - coarse) * target_g)
        trickle = min(trickle, 1.5 * tolerance_g, 0.5 * dump)
    return StreamTruth(
        dump_g_per_s=dump, trickle_g_per_s=trickle, dribble_g=min(0.1, 0.05 * trickle)
    )


class Caster(SimPerson):
    """Pours by ear; which bottle, which cup and when it is time for one they see.

    Whoever drives the bench calls `heard` for each sound and `see` for each change of the picture,
    and takes `commands` away.
    """

    def __init__(
        self,
        world: World,
        recipe: Recipe,
        truth: PersonTruth,
        rng: Random,
        manner: Manner = Manner(),
        bottles: tuple[PartTruth, ...] = (),
    ) -> None:
        """Stand before an empty pan with everything that the recipe needs.

        `bottles` are those that suit the recipe, unless some are given.
        """
        bottles = bottles or bottles_for(recipe, world.scale.truth.division_g)
        super().__init__(truth, bottles, 0.0, rng)
        self.world = world
        self.manner = manner
        self.sight = Sight("idle")
        self._loss = recipe.method == "loss"
        self._own_cups = self._loss or recipe.cup.one_per_part
        self._cup_g = max(5.0, 0.032 * (recipe.cup.capacity_g or 250.0))
        self._on_pan: tuple[int | None, str] | None = None
        """The batch and the part whose cup stands on the pan; no part for a shared cup."""
        self._put_s = 0.0
        self._aside_g: dict[tuple[int | None, str], float] = {}
        """Cups and containers that stand beside the scale, by what is in them."""
        self._in_hand = ""
        self._corrected: tuple[int | None, int] = None, 0
        """How often that batch has been corrected."""
        world.sign = -1 if self._loss else 1

    @property
    def at_rest(self) -> bool:
        """Whether they have nothing more in mind, and see nothing to do by hand."""
        return self.next_event_s is None and not self.sight.calls_for_mark

    # --- by ear -----------------------------------------------------------------------------

    def heard(self, pattern: str, at_s: float) -> None:
        """Ease, stop and top up by ear; all else is seen."""
        if pattern in ("coarse", "fine", "over", "short"):
            super().heard(pattern, at_s)
        elif pattern == "trouble":
            self.plan(at_s + self.reaction_s(), "stop")

    # --- by eye -----------------------------------------------------------------------------

    def see(self, sight: Sight, now_s: float) -> None:
        """Look; whoever has something in mind already finishes that first."""
        self.sight = sight
        if self.next_event_s is None:
            self._think(now_s)

    def act(self, world: World, now_s: float) -> None:
        """Do what is due by `now_s`, then look what is next."""
        super().act(world, now_s)
        if self.next_event_s is None:
            self._think(now_s)

    def _think(self, now_s: float) -> None:
        step = self.sight.step
        if self._pours and not self._may_pour:
            self.plan(now_s + self.reaction_s(), "stop")
        elif step == "decide" or self.sight.needs == "combined":
            self.plan(now_s + self.manner.decide_s, "answer")
        elif step == "stir" and self._on_pan is not None:
            self.plan(now_s + self.truth.stir_s, "stirred")
        elif step in ("cup", "idle") and self.sight.calls_for_mark:
            self.plan(now_s + self.manner.fill_s, "mark")
        elif step == "cup":
            self._think_of_cup(now_s)
        elif step == "pour" and not self._pours and self._on_pan is not None:
            self._think_of_pour(now_s)

    @property
    def _pours(self) -> bool:
        return self.world.stream is not None and self.world.stream.is_open

    @property
    def _may_pour(self) -> bool:
        return self.sight.step == "pour" and self.sight.zone in ("dump", "ease", "short")

    def _think_of_cup(self, now_s: float) -> None:
        if self._on_pan is None and not self.sight.take_off:
            self.plan(now_s + self.manner.put_s, "put")
        elif self._on_pan is not None and (self.sight.take_off or self._unseen(now_s)):
            self.plan(now_s + self.manner.lift_s, "lift")

    def _unseen(self, now_s: float) -> bool:
        return now_s - self._put_s > UNSEEN_S

    def _think_of_pour(self, now_s: float) -> None:
        if self.sight.zone == "short":
            self.plan(now_s + self.reaction_s() + 0.6, "top-up")
        elif self.sight.zone in ("dump", "ease"):
            swap_s = 0.5 if self._in_hand == self.sight.part else self.truth.swap_s
            self.plan(now_s + self.reaction_s() + swap_s, "take")

    @property
    def _wanted(self) -> tuple[int | None, str]:
        """The cup that the screen asks for: that of the first part which is not done."""
        if not self._own_cups:
            return self.sight.batch, ""
        names = [name for name, _ in self.sight.parts]
        index = next((i for i, (_, done) in enumerate(self.sight.parts) if not done), 0)
        into_the_last = names[index] == DYE and not self._loss
        return self.sight.batch, names[index - 1 if into_the_last else index]

    # --- what they do: each looks once more whether it is still wanted ------------------------

    def _put(self, world: World, now_s: float) -> None:
        if self.sight.step != "cup" or self.sight.take_off or self._on_pan is not None:
            return
        self._on_pan, self._put_s = self._wanted, now_s
        aside = self._aside_g.pop(self._on_pan, None)
        world.resting_g = self._fresh_g(self._on_pan[1]) if aside is None else aside

    def _fresh_g(self, part: str) -> float:
        """What a new cup weighs, no two alike, or a container that holds more than enough."""
        cup_g = self._cup_g * self._rng.uniform(0.85, 1.15)
        if not self._loss:
            return round(cup_g, 1)
        needed = next(bottle.target_g for bottle in self.parts if bottle.name == part)
        return round(4 * cup_g + self._rng.uniform(1.5, 2.5) * needed, 1)

    def _lift(self, world: World, now_s: float) -> None:
        if self._on_pan is not None:
            left_g = world.stream.left_g if world.stream is not None else 0.0
            self._aside_g[self._on_pan] = world.resting_g + world.sign * left_g
        world.stream, world.resting_g = None, 0.0
        self._on_pan, self._in_hand = None, ""

    def _take(self, world: World, now_s: float) -> None:
        """Take the bottle that the screen names, and pour."""
        sight = self.sight
        if sight.step != "pour" or sight.zone not in ("dump", "ease") or self._pours:
            return
        if self._in_hand != sight.part:
            self._in_hand = str(sight.part)
            self.part = [bottle.name for bottle in self.parts].index(self._in_hand)
            world.use(varied(self.parts[self.part].stream, self._rng))
        self.eased = sight.trickle or sight.zone == "ease" or self._is_little(sight.to_go_g)
        self._open(world, now_s)

    def _is_little(self, to_go_g: float | None) -> bool:
        """Whether so little is missing that nobody would dump it."""
        flow = self.parts[self.part].stream.dump_g_per_s
        return to_go_g is not None and to_go_g < LITTLE_S * flow

    def _top_up(self, world: World, now_s: float) -> None:
        """Trickle on, if it is still too little."""
        if self.sight.step == "pour" and self.sight.zone == "short":
            super()._top_up(world, now_s)

    def _answer(self, world: World, now_s: float) -> None:
        """Say what the screen waits for."""
        sight = self.sight
        if sight.needs == "combined":
            self._lift(world, now_s)
            self.plan(now_s + self.manner.combine_s, "mark")
            return
        if sight.needs == "accept or correct":
            self.commands.append((now_s, {"do": "correct" if self._corrects() else "accept"}))
        elif sight.needs == "confirm":
            self.commands.append((now_s, {"do": "confirm"}))
        self.plan(now_s + self.manner.look_s, "look")

    def _corrects(self) -> bool:
        """Nobody makes a batch larger for a drop of dye, or again and again, or against advice."""
        if self._corrected[0] != self.sight.batch:
            self._corrected = self.sight.batch, 0
        again = self._corrected[1] + 1
        if (
            self.sight.choices[:1] != ("correct",)
            or self.sight.part == DYE
            or again > MOST_CORRECTIONS
        ):
            return False
        self._corrected = self.sight.batch, again
        return self.truth.corrects

    def _stirred(self, world: World, now_s: float) -> None:
        """Stirred, by the screen's leave: the cup goes to the molds."""
        if self.sight.step != "stir":
            return
        if self.sight.calls_for_mark:
            self.commands.append((now_s, {"do": "next"}))
        self._lift(world, now_s)
        self._aside_g.clear()
        self.plan(now_s + self.manner.look_s, "look")

    def _mark(self, world: World, now_s: float) -> None:
        if self.sight.calls_for_mark or self.sight.needs == "combined":
            self.commands.append((now_s, {"do": "next"}))
        self.plan(now_s + self.manner.look_s, "look")

    def _look(self, world: World, now_s: float) -> None:
        """Nothing but another look."""
