"""The scores and the places where they are played."""

import math
import os
import shutil
import stat
import struct
import threading
import time
import wave
from array import array
from collections.abc import Callable, Iterator
from itertools import combinations
from pathlib import Path
from typing import TextIO

import pytest

from daemon.effects import Pattern
from drivers import beeper
from drivers.beeper import BellSink, NoSink, SoundError, TrackSink, open_sink
from drivers.player import Player
from drivers.sound_card import CardSink, CardStream
from drivers.tones import RATE, SCORES, Mixer, length_s, onsets_s, samples

Run = tuple[int, float]
"""A stretch of one pitch: Hz rounded to 20, 0 for silence, and its seconds."""


def heard(data: bytes) -> list[Run]:
    """Hear stretches of steady pitch, by zero crossings in windows of 10 ms."""
    values = array("h")
    values.frombytes(data)
    window = RATE // 100
    runs: list[Run] = []
    for at in range(0, len(values) - window, window):
        piece = values[at : at + window]
        ups = [i for i in range(1, window) if piece[i - 1] < 0 <= piece[i]]
        loud = max(map(abs, piece)) > 1000 and len(ups) > 2
        hz = (len(ups) - 1) * RATE / (ups[-1] - ups[0]) if loud else 0.0
        pitch = 20 * round(hz / 20)
        if runs and abs(runs[-1][0] - pitch) <= 20:
            runs[-1] = (runs[-1][0], runs[-1][1] + 0.01)
        else:
            runs.append((pitch, 0.01))
    return [run for run in runs if run[1] > 0.015]


def rhythm(runs: list[Run]) -> list[float]:
    return [seconds for _, seconds in runs]


def same_rhythm(one: list[float], other: list[float]) -> bool:
    return len(one) == len(other) and all(
        abs(a - b) <= 0.2 * max(a, b) for a, b in zip(one, other, strict=True)
    )


def goertzel(data: bytes, hz: float) -> float:
    """Energy at one frequency (Goertzel, Am. Math. Monthly 65, 1958, from memory)."""
    values = array("h")
    values.frombytes(data)
    twice = 2 * math.cos(2 * math.pi * hz / RATE)
    last = before = 0.0
    for value in values:
        last, before = value + twice * last - before, last
    return last * last + before * before - twice * last * before


def test_everything_the_daemon_can_say_has_a_score() -> None:
    assert {pattern.value for pattern in Pattern} | {"tick", "soft-tick"} == set(SCORES)


@pytest.mark.parametrize("one, other", list(combinations(sorted(SCORES), 2)))
def test_no_two_sounds_share_their_rhythm_or_all_their_pitches(one: str, other: str) -> None:
    first, second = heard(samples(one)), heard(samples(other))
    assert not same_rhythm(rhythm(first), rhythm(second))
    assert {hz for hz, _ in first if hz} != {hz for hz, _ in second if hz}


def test_a_sound_is_heard_at_the_pitch_and_length_of_its_score() -> None:
    assert heard(samples("fine")) == [(1480, pytest.approx(0.5, abs=0.02))]
    first, second = heard(samples("coarse"))[0], heard(samples("coarse"))[-1]
    assert first[0] == pytest.approx(1102, abs=20)
    assert second[0] == pytest.approx(735, abs=20)
    assert len(samples("coarse")) == pytest.approx(2 * RATE * length_s("coarse"), rel=0.02)


def test_what_must_not_be_missed_lies_where_ageing_ears_and_ear_muffs_still_let_it_through() -> (
    None
):
    """ISO 7731 (danger signals): within 500-2500 Hz, enough of it below 1500 Hz; from memory."""
    for name in ("fine", "over"):
        assert all(500 <= note.hz <= 1500 for note in SCORES[name])
    low = goertzel(samples("fine"), RATE / 15)
    overtones = sum(goertzel(samples("fine"), k * RATE / 15) for k in (2, 3))
    assert low > 4 * overtones
    assert all(440 <= note.hz <= 1500 for score in SCORES.values() for note in score)


def test_no_sound_clips_or_begins_or_ends_with_a_click() -> None:
    for name in SCORES:
        values = array("h")
        values.frombytes(samples(name))
        assert max(map(abs, values)) <= 32_767 * 0.91
        assert abs(values[0]) < 300
        assert abs(values[-1]) < 300


def test_the_stop_cuts_into_a_tick_at_once() -> None:
    mixer = Mixer()
    mixer.play("tick")
    mixer.take(100)
    mixer.play("fine")
    assert mixer.take(200) == samples("fine")[:400]


def test_a_tick_is_dropped_while_a_message_sounds() -> None:
    mixer = Mixer()
    mixer.play("landed")
    mixer.play("tick")
    assert mixer.take(len(samples("landed")) // 2) == samples("landed")
    assert not mixer.sounding


def test_a_message_that_a_stop_cut_off_is_played_again_after_it() -> None:
    mixer = Mixer()
    mixer.play("clock-end")
    mixer.take(500)
    mixer.play("fine")
    whole = samples("fine") + samples("clock-end")
    assert mixer.take(len(whole) // 2) == whole


def test_messages_wait_for_one_another() -> None:
    mixer = Mixer()
    mixer.play("landed")
    mixer.play("ask")
    whole = samples("landed") + samples("ask")
    assert mixer.take(len(whole) // 2 + 10) == whole + bytes(20)


class ByHand:
    """A clock that stands until it is set."""

    def __init__(self) -> None:
        self.at = 0.0

    def __call__(self) -> float:
        return self.at


def until(true: Callable[[], object], seconds: float = 5.0) -> None:
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline, "it did not come about in time"
        threading.Event().wait(0.002)


def frames_of(path: Path) -> bytes:
    with wave.open(str(path)) as track:
        assert (track.getnchannels(), track.getsampwidth(), track.getframerate()) == (1, 2, RATE)
        return track.readframes(track.getnframes())


def test_the_track_has_each_sound_at_the_time_it_was_heard(tmp_path: Path) -> None:
    clock, path = ByHand(), tmp_path / "track.wav"
    sink = TrackSink(path, clock)
    for at, name in ((1.0, "coarse"), (2.5, "tick"), (2.52, "fine"), (60.0, "landed")):
        clock.at = at
        sink.play(name)
    clock.at = 61.0
    sink.close()
    data = frames_of(path)
    assert len(data) == 2 * 61 * RATE

    def stands(seconds: float, name: str) -> bool:
        return data[2 * round(seconds * RATE) :].startswith(samples(name))

    assert stands(1.0, "coarse")
    assert stands(2.52, "fine")
    assert stands(60.0, "landed")
    assert not any(data[: 2 * RATE])
    assert not any(data[2 * 4 * RATE : 2 * 60 * RATE])
    tick = samples("tick")[: 2 * round(0.02 * RATE)]
    assert data[2 * round(2.5 * RATE) :].startswith(tick)


def test_the_track_is_a_whole_file_after_every_single_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "track.wav"
    seen: list[int] = []

    def looked_at(write: Callable[..., int | None]) -> Callable[..., int | None]:
        def and_look(*args: object) -> int | None:
            done = write(*args)
            seen.append(len(frames_of(path)))
            return done

        return and_look

    monkeypatch.setattr(beeper.os, "pwrite", looked_at(os.pwrite))
    monkeypatch.setattr(beeper.os, "ftruncate", looked_at(os.ftruncate))
    clock = ByHand()
    sink = TrackSink(path, clock)
    for tenth in range(1, 30):
        clock.at = tenth / 10
        sink.play("ask" if tenth % 7 == 0 else "tick")
    sink.close()
    assert seen == sorted(seen)
    assert seen[-1] == 2 * round(2.9 * RATE)


def test_hours_of_silence_in_the_track_cost_no_disk(tmp_path: Path) -> None:
    clock, path = ByHand(), tmp_path / "track.wav"
    sink = TrackSink(path, clock)
    clock.at = 3 * 3600.0
    sink.play("landed")
    clock.at += 1.0
    sink.close()
    with wave.open(str(path)) as track:
        assert track.getnframes() == (3 * 3600 + 1) * RATE
    assert 512 * path.stat().st_blocks < 200_000


def test_the_track_ends_after_four_hours_and_says_so(tmp_path: Path) -> None:
    clock, path = ByHand(), tmp_path / "track.wav"
    sink = TrackSink(path, clock)
    clock.at = 5 * 3600.0
    sink.play("landed")
    sink.close()
    with wave.open(str(path)) as track:
        assert track.getnframes() == 4 * 3600 * RATE
    assert "four hours" in sink.trouble


def test_a_track_that_cannot_be_written_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(SoundError, match="Give another path"):
        open_sink(f"file:{tmp_path}/no/such/folder/x.wav")


def test_an_unknown_place_for_sound_names_the_known_ones() -> None:
    with pytest.raises(SoundError, match="auto, bell, none or file:"):
        open_sink("loud")
    assert isinstance(open_sink("none"), NoSink)


@pytest.fixture
def terminal() -> Iterator[tuple[int, TextIO]]:
    ours, theirs = os.openpty()
    os.set_blocking(ours, False)
    with os.fdopen(theirs, "w") as file:
        yield ours, file
    os.close(ours)


def rung(fd: int) -> bytes:
    try:
        return os.read(fd, 1000)
    except BlockingIOError:
        return b""


def test_the_bell_rings_the_rhythm_of_the_score(terminal: tuple[int, TextIO]) -> None:
    fd, file = terminal
    clock = ByHand()
    sink = BellSink(file, clock)
    sink.play("coarse")
    until(lambda: rung(fd) == b"\a")
    assert onsets_s("coarse") == (0.0, 0.14)
    clock.at = 0.14
    sink.hold(True)
    until(lambda: rung(fd) == b"\a")
    sink.close()


class Stuck(Player):
    """A sink whose place takes nothing until it is let."""

    def __init__(self) -> None:
        self.let, self.got = threading.Event(), []
        super().__init__(time.monotonic)

    def _turn(self, asked: tuple[tuple[float, str], ...], poked: bool) -> None:
        self.got += [name for _, name in asked]
        self.let.wait(10)


def test_a_stuck_place_delays_nobody_and_drops_ticks_before_messages_and_never_a_stop() -> None:
    sink = Stuck()
    sink.play("tared")
    until(lambda: sink.got)
    for name in ("tick", "landed", "fine", "tick", "tick", "ask", "over", "tick", "tick", "tick"):
        sink.play(name)
    for _ in range(20):
        sink.play("tick")
    for name in ("short", "mixed", "clock-end", "coarse", "fine", "trouble", "tared"):
        sink.play(name)
    sink.let.set()
    sink.close()
    kept = sink.got[1:]
    assert len(kept) == 8
    assert "tick" not in kept
    assert kept.count("fine") == 2
    assert "over" in kept


def program(folder: Path, lines: str) -> None:
    """Put a stand-in for aplay into a folder."""
    path = folder / "aplay"
    path.write_text(f"#!/bin/sh\n{lines}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)


class Heard(NoSink):
    """A fallback that remembers."""

    def __init__(self) -> None:
        self.names: list[str] = []

    def play(self, name: str) -> None:
        self.names.append(name)


@pytest.fixture
def card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    return tmp_path


PLAYERS = ["stand-in", *(["aplay"] if shutil.which("aplay") else [])]
"""The real player is tried too where it is installed, on a card that is a file."""


@pytest.mark.parametrize("player", PLAYERS)
def test_the_card_gets_the_very_samples_of_the_score(
    card: Path, player: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if player == "stand-in":
        program(card, f"exec cat > {card}/out.raw")
    monkeypatch.setenv("HOME", str(card))
    (card / ".asoundrc").write_text(
        f'pcm.!default {{ type file slave.pcm null file "{card}/out.raw" format raw }}\n'
    )
    sink = CardSink(NoSink())
    sink.play("coarse")
    sink.close()
    assert samples("coarse") in (card / "out.raw").read_bytes()
    assert sink.trouble == ""


def test_while_held_the_card_runs_on_silence_never_far_ahead_so_a_stop_comes_at_once(
    card: Path,
) -> None:
    program(card, f"exec cat > {card}/out.raw")
    mixer, stream = Mixer(), CardStream(0.0)
    for hundredth in range(0, 31, 3):
        stream.feed(mixer, hundredth / 100)
    mixer.play("fine")
    stream.feed(mixer, 0.32)
    stream.feed(mixer, 0.35)
    stream.close()
    data = (card / "out.raw").read_bytes()
    silence = 2 * round((0.30 + CardStream.QUIET_AHEAD_S) * RATE)
    assert not any(data[:silence])
    assert samples("fine").startswith(data[silence:])
    assert len(data) == 2 * int((0.35 + CardStream.SOUND_AHEAD_S) * RATE)


def test_a_card_that_was_starved_goes_on_from_now(card: Path) -> None:
    program(card, f"exec cat > {card}/out.raw")
    mixer, stream = Mixer(), CardStream(0.0)
    stream.feed(mixer, 0.0)
    mixer.play("fine")
    stream.feed(mixer, 9.0)
    stream.close()
    data = (card / "out.raw").read_bytes()
    ahead_s = CardStream.QUIET_AHEAD_S + CardStream.SOUND_AHEAD_S
    assert len(data) == pytest.approx(2 * ahead_s * RATE, abs=4)


def test_without_a_card_the_bell_takes_over_at_once_and_it_is_said_once(card: Path) -> None:
    program(card, "exit 1")
    bell = Heard()
    sink = CardSink(bell)
    until(lambda: sink.trouble)
    sink.play("fine")
    until(lambda: bell.names)
    sink.close()
    assert bell.names == ["fine"]
    assert sink.trouble == (
        "No sound from the card: no sound card answers. The terminal's bell rings instead."
    )


def test_a_missing_card_is_looked_for_again_when_the_next_pour_begins(card: Path) -> None:
    program(card, "exit 1")
    sink = CardSink(NoSink())
    until(lambda: sink.trouble)
    program(card, f"exec cat > {card}/out.raw")
    sink.hold(False)
    sink.hold(True)
    out = card / "out.raw"
    until(lambda: out.exists())
    sink.play("fine")
    until(lambda: any(out.read_bytes()))
    assert sink.trouble == ""
    sink.close()


def test_a_card_that_goes_away_hands_its_last_sound_to_the_bell(card: Path) -> None:
    program(card, "head -c 6000 > /dev/null; exit 1")
    bell = Heard()
    sink = CardSink(bell)
    sink.hold(True)
    until(lambda: sink.trouble or sink.play("fine") or sink.trouble)
    until(lambda: "fine" in bell.names)
    sink.close()
    assert sink.trouble


def test_a_card_that_takes_nothing_is_given_up(card: Path) -> None:
    program(card, "exec sleep 60")
    clock, bell = ByHand(), Heard()
    sink = CardSink(bell, clock)
    sink.hold(True)

    def later() -> bool:
        clock.at += 0.02
        sink.play("clock-end")
        return bool(sink.trouble)

    until(later)
    sink.close()
    assert "takes no more" in sink.trouble


def test_without_aplay_it_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    sink = CardSink(NoSink())
    until(lambda: sink.trouble)
    sink.close()
    assert "alsa-utils" in sink.trouble


def test_the_header_is_the_plain_44_bytes(tmp_path: Path) -> None:
    clock, path = ByHand(), tmp_path / "track.wav"
    sink = TrackSink(path, clock)
    clock.at = 1.0
    sink.close()
    head = path.read_bytes()[:44]
    assert head[:4] + head[8:16] + head[36:40] == b"RIFFWAVEfmt data"
    assert struct.unpack("<I", head[40:])[0] == path.stat().st_size - 44 == 2 * RATE
