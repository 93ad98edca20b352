"""`scale learn` live: a person led through the use of a scale on a real pseudo-terminal."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest

from daemon.cli import UsageError, main
from daemon.cli_scale import ScaleError
from daemon.cli_scale_walk import QUESTION, STEPS, Stream, learn_live
from daemon.config import Scale
from drivers.decoder import Decoder
from drivers.learn_refusal import NotLearnedError
from drivers.reading import Reading
from drivers.scale_learn import Learned
from drivers.scale_profile import Profile
from tests.kit_port import PtyScale

TARED = 30712


def line(weight: int, *, still: bool = True, net: bool = False) -> bytes:
    """One line of an invented shape: sign behind the digits, two decimals that have no point."""
    sign = b"-" if weight < 0 else b" "
    state, kind = b"s" if still else b"m", b"N" if net else b"B"
    return b"<%s|%06d%s|%s>\n" % (state, abs(weight), sign, kind)


Line = Callable[..., bytes]


def used(say: Line) -> Iterator[tuple[bytes, str]]:
    """What the scale sends in each step, and what its display shows at the end of it."""
    at = 0
    for weight, net, shown in (
        (0, False, "0.00 g"),
        (18375, False, "183.75 g"),
        (TARED, False, "307.12 g"),
        (0, True, "0.00 g"),
        (4961, True, "49.61"),
        (-TARED, True, "\u2212307.12 g"),
    ):
        tared = weight == 0 and net
        way = [] if tared else [at + (weight - at) * n // 7 for n in (1, 3, 5, 6)]
        moving = b"".join(say(one, still=False, net=net) for one in way if one not in (at, weight))
        yield moving + say(weight, net=net) * 9, shown
        at = weight


class Script:
    """A person who does as told, and a scale that shows it."""

    def __init__(self, scale: PtyScale, acts: Iterator[tuple[bytes, str]]) -> None:
        self.said: list[str] = []
        self.stream = Stream()
        self._scale, self._acts = scale, acts
        self._sent = 0

    def send(self, data: bytes) -> None:
        self._scale.say(data)
        self._sent += len(data)

    async def ask(self, question: str) -> str:
        """Load the pan, wait until the program has what the scale sent, read the display."""
        self.said.append(question)
        data, shown = next(self._acts, (b"", ""))
        self.send(data)
        async with asyncio.timeout(8):
            while len(self.stream.data) < self._sent:
                self.stream.news.clear()
                await self.stream.news.wait()
        return shown

    async def learned(self, link: Path, begins: bytes, settle_s: float = 8.0) -> Learned:
        """What comes of it, after the scale has sent `begins` again and again."""

        def say(text: str) -> None:
            self.said.append(text)
            if text.startswith("Listening"):
                self.send(begins)

        scale = Scale(url=str(link))
        return await learn_live(scale, self.ask, say, settle_s=settle_s, stream=self.stream)


@pytest.fixture
def scale(tmp_path: Path) -> PtyScale:
    return PtyScale(tmp_path / "scale")


def read(profile: Profile, data: bytes) -> list[Reading]:
    ticks = count()
    pairs = Decoder(profile).step(data, lambda: next(ticks) * 0.2)
    return [item for _, item in pairs if isinstance(item, Reading)]


async def test_a_person_is_led_through_the_use_and_the_profile_reads_other_use(
    scale: PtyScale,
) -> None:
    script = Script(scale, used(line))
    learned = await script.learned(scale.link, line(7) * 12)
    assert script.said[0] == "Listening at 9600 8N1."
    asked = [text for text in script.said if text != QUESTION]
    assert asked[1:] == [f"{n} of 6. {step}" for n, step in enumerate(STEPS, 1)]
    other = line(1234, net=True) * 4 + line(-5, still=False, net=True) + line(50) * 3
    found = read(learned.profile, other)
    assert [(r.text, r.grams, r.declared, r.net) for r in found] == [
        *[("12.34", 12.34, True, True)] * 4,
        ("-0.05", -0.05, False, True),
        *[("0.50", 0.5, True, False)] * 3,
    ]
    assert {r.trusted for r in found} == {True, False}
    fields = {sure.field: sure.how for sure in learned.sure}
    assert fields["weight"] == fields["stability"] == fields["net"] == "sure"
    assert 'settings = ["9600 8N1"]' in learned.toml


async def test_what_cannot_be_meant_as_a_weight_is_asked_again(scale: PtyScale) -> None:
    acts = list(used(line))
    first, second = acts[:2]
    again = [(first[0], "nothing, 0"), (b"", first[1]), (second[0], "1,837"), (b"", second[1])]
    script = Script(scale, iter([*again, *acts[2:]]))
    learned = await script.learned(scale.link, line(7) * 12)
    said = "\n".join(script.said)
    assert "write the number, then the unit" in said
    assert "write 1837 or 1.837" in said
    assert [r.text for r in read(learned.profile, line(1234) * 2)] == ["12.34"] * 2


def twice(weight: int, *, still: bool = True, net: bool = False) -> bytes:
    """Two numbers in one line; the second is what is on the pan, whatever was tared."""
    gross = weight + (TARED if net else 0)
    return b"%8.2f %8.2f %s\r\n" % (weight / 100, gross / 100, b"S" if still else b"M")


async def test_where_two_explanations_hold_the_one_observation_that_decides_is_asked_for(
    scale: PtyScale,
) -> None:
    """The steps with the tare are left out at first: then both numbers were alike all the time."""
    acts = list(used(twice))
    script = Script(scale, iter([*acts[:3], *[(b"", "")] * 3, *acts[3:]]))
    learned = await script.learned(scale.link, twice(7) * 12)
    more = [text for text in script.said if text.startswith("Not sure yet")]
    assert "two numbers in the lines" in more[0]
    assert "Tare with a load on the pan, put another load on" in more[0]
    assert [r.text for r in read(learned.profile, twice(500, net=True) * 2)] == ["5.00"] * 2


async def test_without_an_answer_nothing_is_guessed(scale: PtyScale) -> None:
    script = Script(scale, iter(()))
    with pytest.raises(NotLearnedError, match="another load"):
        await script.learned(scale.link, line(7) * 12)
    assert sum(text == QUESTION for text in script.said) == len(STEPS) + 1


def packed(weight: int, *, still: bool = True, net: bool = False) -> bytes:
    """Frames that are no text at any settings: a head, a status byte, a number, and their sum."""
    size = abs(weight).to_bytes(3, "little")
    body = b"\xaa\x55" + bytes([0x80 | still | net << 1 | (weight < 0) << 2]) + size
    return body + bytes([sum(body) & 0xFF])


async def test_bytes_that_no_settings_make_text_of_are_learned_as_they_are(
    scale: PtyScale,
) -> None:
    script = Script(scale, used(packed))
    learned = await script.learned(scale.link, packed(7) * 40, settle_s=0.3)
    assert any("No settings make text of the bytes" in text for text in script.said)
    assert [r.text for r in read(learned.profile, packed(1234) * 2)] == ["12.34"] * 2


async def test_a_scale_that_stays_silent_is_told_from_one_that_wants_its_key_pressed(
    scale: PtyScale,
) -> None:
    script = Script(scale, iter(()))
    with pytest.raises(ScaleError, match=r"Nothing came from .* in 0 s"):
        await script.learned(scale.link, b"", settle_s=0.2)
    assert any("press that key again and again now" in text for text in script.said)
    assert QUESTION not in script.said


async def test_a_scale_that_goes_away_meanwhile_ends_it_in_a_sentence(scale: PtyScale) -> None:
    class Pulled(Script):
        async def ask(self, question: str) -> str:
            scale.pull_out()
            async with asyncio.timeout(8):
                while not self.stream.trouble:
                    self.stream.news.clear()
                    await self.stream.news.wait()
            return "0.00 g"

    script = Pulled(scale, iter(()))
    with pytest.raises(ScaleError, match="went away: is the cable in"):
        await script.learned(scale.link, line(7) * 12)


async def test_a_port_that_is_not_there_and_a_hid_scale_are_refused_at_once(
    tmp_path: Path,
) -> None:
    script = Script(PtyScale(tmp_path / "scale"), iter(()))
    with pytest.raises(ScaleError, match="is not there"):
        await script.learned(tmp_path / "none", b"")
    with pytest.raises(UsageError, match="says itself how its reports read"):
        await script.learned(Path("hid:auto"), b"")
    assert QUESTION not in script.said


class Talker:
    """A scale that sends by itself all the time, and a person beside it."""

    def __init__(self, scale: PtyScale) -> None:
        self._scale = scale
        self._lines: list[bytes] = []
        self._again = line(0)
        self._sent = 0
        self._done = threading.Event()
        self._turn = threading.Condition()
        self._thread = threading.Thread(target=self._talk)
        self._thread.start()

    def load(self, data: bytes, lines: int = 100) -> None:
        """Send these lines, then the last again and again; return after so many."""
        with self._turn:
            self._lines = data.splitlines(keepends=True)
            self._again = self._lines[-1]
            until = self._sent + lines
            assert self._turn.wait_for(lambda: self._sent >= until, 8)

    def _talk(self) -> None:
        while not self._done.wait(0.005):
            with self._turn:
                self._scale.say(self._lines.pop(0) if self._lines else self._again)
                self._sent += 1
                self._turn.notify_all()

    def end(self) -> None:
        self._done.set()
        self._thread.join(8)


def _until(process: subprocess.Popen[bytes], wanted: str) -> None:
    """Read what the command says until this."""
    heard = b""
    assert process.stderr is not None
    while not heard.endswith(wanted.encode()):
        more = os.read(process.stderr.fileno(), 1)
        assert more, heard
        heard += more


def _command(scale: PtyScale, profile: Path) -> subprocess.Popen[bytes]:
    learn = ["scale", "learn", "--scale", str(scale.link), "-o", str(profile)]
    return subprocess.Popen(
        [sys.executable, "-m", "daemon", *learn],
        stdin=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=Path(__file__).parents[1],
    )


def test_the_command_writes_a_profile_that_decode_reads_with(
    scale: PtyScale, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    profile, talker = tmp_path / "knob-scale.toml", Talker(scale)
    process = _command(scale, profile)
    try:
        for data, shown in used(line):
            _until(process, QUESTION)
            talker.load(data)
            assert process.stdin is not None
            process.stdin.write(f"{shown}\n".encode())
            process.stdin.flush()
        _, said = process.communicate(timeout=8)
    finally:
        talker.end()
        process.kill()
    assert (process.returncode, f"{profile} holds the profile" in said.decode()) == (0, True)
    assert profile.read_text().startswith('name = "knob-scale"')
    capture = tmp_path / "other.bin"
    capture.write_bytes(line(-250) * 3)
    assert main(["scale", "decode", str(capture), "--profile", str(profile)]) == 0
    rows = [json.loads(row) for row in capsys.readouterr().out.splitlines()]
    assert [(row["text"], row["grams"], row["trusted"]) for row in rows] == [
        ("-2.50", -2.5, False),
        ("-2.50", -2.5, True),
        ("-2.50", -2.5, True),
    ]


def test_control_c_ends_it_at_a_question_without_a_word(scale: PtyScale, tmp_path: Path) -> None:
    talker, process = Talker(scale), _command(scale, tmp_path / "p.toml")
    try:
        _until(process, QUESTION)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=8)
    finally:
        talker.end()
        process.kill()
    assert (process.returncode, said) == (130, b"")
    assert not (tmp_path / "p.toml").exists()
