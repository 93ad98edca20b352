"""The walk of one reading as DEVELOPERS.md tells it, and the drawing of the sequence."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

from daemon.bench import Bench
from daemon.clock import HandClock, Timeline
from daemon.engine import Engine
from daemon.inputs import Raw
from daemon.journal import Journal
from daemon.loop import Loop
from daemon.view import BenchView
from drivers.decoder import Decoder
from drivers.scale_profile import load_profile
from tools.draw_states import drawing

PAPER = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_every_name_of_the_walk_is_there() -> None:
    walk = PAPER.split("## The walk of one reading")[1].split("## The sequence")[0]
    named = re.findall(r"`([A-Za-z_.]+)`(?:, say,)? in `([a-z_/]+)\.py`", walk)
    assert len(named) >= 8
    for name, path in named:
        place = importlib.import_module(path.replace("/", "."))
        for step in name.split("."):
            place = getattr(place, step)


def test_the_drawing_is_that_of_the_code() -> None:
    drawn = PAPER.split("<!-- states -->\n")[1].split("\n<!-- end of states -->")[0]
    assert drawn == drawing()


class Outlet:
    """Notes in which order things reach it."""

    def __init__(self, journal: Journal) -> None:
        self.journal = journal
        self.seen: list[tuple[str, object]] = []

    def play(self, pattern: object) -> None:
        self.seen.append(("heard", pattern))

    def show(self, view: BenchView) -> None:
        self.seen.append(("shown", view.weight_g))

    def committed(self, upto_seq: int) -> None:
        self.seen.append(("told", self.journal.last_seq() >= upto_seq))


async def test_a_reading_walks_from_its_bytes_to_the_outlets(tmp_path: Path) -> None:
    """Bytes in; decoded, weighed, shown at once; journaled; what was journaled is told."""
    journal = Journal(tmp_path, write=True)
    loop = Loop(
        Engine(Bench(), Decoder(load_profile("flag-comma-signed"))), journal, Timeline(HandClock())
    )
    near, far = Outlet(journal), Outlet(journal)
    loop.near.append(near)
    loop.far.append(far)
    line = b"ST,GS,+   36.5 g\r\n"
    loop.take(Raw(1_000_000, line[:7]))
    loop.take(Raw(1_100_000, line[7:] + line))
    assert loop.engine.bench.weighing.gross_g == 36.5
    assert near.seen[-1] == ("shown", 36.5)
    loop.take(Raw(1_200_000, b"\xff\x00 no line of any scale\r\n"))
    await loop.close()
    assert ("told", True) in far.seen
    assert [item.data for _, item in journal.inputs(0) if isinstance(item, Raw)][:2] == [
        line[:7],
        line[7:] + line,
    ]
    journal.close()
