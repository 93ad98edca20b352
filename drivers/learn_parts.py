"""What is known so far of the places beside the number, while a hypothesis is put together.

Owns which places have a field, which field, and the evidence told about it. Does not know how a
place's meaning is found.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, field

from drivers.learn_course import Course
from drivers.learn_draft import Draft, Spec
from drivers.learn_layout import NUMBER, Key, Layout, Make
from drivers.learn_roles import Roles
from drivers.learn_runs import char_class
from drivers.notation import to_text

MORE = 3
"""Places that a number of open width may grow beyond what was seen."""


@dataclass(slots=True)
class Parts:
    """The fields that have been given places, and what they told."""

    draft: Draft
    layout: Layout
    course: Course
    spans: Sequence[tuple[int, int]]
    """Begin and end of each row in the stream."""
    reach: dict[int, str] = field(default_factory=dict)
    """Rows at which the display showed no weight, and what it showed."""
    fields: dict[Key, tuple[tuple[Key, ...], str]] = field(default_factory=dict)
    """For a place all the places of its field, and the layout's text for it."""
    told: dict[str, str] = field(default_factory=dict)
    """What is known of unit, stability and net: the evidence in words."""
    unproved: list[str] = field(default_factory=list)
    """States that give no weight."""
    follows: int = 0
    """Bytes that are not looked at although they change just as the weight does."""

    def strips(self, make: Make) -> Iterator[list[Key]]:
        """Neighbouring places of this make that have no field yet."""
        strip: list[Key] = []
        for key, _ in make.slots:
            if key != NUMBER and key not in self.fields:
                strip.append(key)
                continue
            if strip:
                yield strip
            strip = []
        if strip:
            yield strip

    def place(self, keys: Sequence[Key], name: str, *, number: bool = False) -> None:
        """Let the field of that name stand at these places; a number may grow wider yet."""
        every = tuple(keys)
        widths = {len(raw) for raw in self.layout.joint(every) if raw is not None}
        more = MORE if number else 0
        width = f"{min(widths)}" if len(widths) == 1 else f"{min(widths)}-{max(widths) + more}"
        self.put(every, f"{{{name}:{width}}}")

    def put(self, keys: Sequence[Key], text: str) -> None:
        """Let this text of the layout stand for these places."""
        every = tuple(keys)
        for key in every:
            self.fields[key] = (every, text)

    def free(self, keys: Sequence[Key]) -> None:
        """Let these places hold bytes that are not looked at."""
        self.follows += sum(self._follows(key) for key in keys)
        joint = [raw for raw in self.layout.joint(keys) if raw is not None]
        spec: Spec = {"kind": "any", "chars": char_class(joint), "fill": to_text(joint[0])}
        self.place(keys, self.draft.add("any", spec, "changes, and is not the weight"), number=True)

    def _follows(self, key: Key) -> bool:
        """Whether the place says the same whenever the weight is the same, and not else."""
        pairs: set[tuple[Hashable, Hashable]] = set(
            zip(self.course.values, self.layout.states[key], strict=True)
        )
        return len(pairs) == len({value for value, _ in pairs}) and len(self.layout.seen(key)) > 2

    def tell(self, roles: Roles, what: str) -> None:
        """Keep what a mark tells as evidence."""
        if roles.motion:
            self.told.setdefault("stability", f"said by {what}")
        if roles.net:
            self.told.setdefault("net", f"said by {what}")
        self.unproved += [f"{what}: {' '.join(roles.words[state])}" for state in roles.unproved]
