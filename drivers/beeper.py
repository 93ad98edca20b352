"""Where sounds go: a sound card, a terminal's bell, a WAV file, or nowhere.

Opens the place by its name in the settings, and owns the bell and the file. Knows sounds by the
names in drivers.tones; does not know what they mean, nor when one is due.
"""

from __future__ import annotations

import os
import struct
import time
from collections import deque
from pathlib import Path
from typing import TextIO

from drivers.player import STALE_TICK_S, Clock, Player, Sink
from drivers.sound_card import CardSink
from drivers.tones import RATE, TICKS, Mixer, onsets_s


class SoundError(Exception):
    """A sound outlet cannot be opened; the message says why and what to do."""


def open_sink(to: str, terminal: TextIO | None = None, clock: Clock = time.monotonic) -> Sink:
    """Open `auto`, `bell`, `none` or `file:PATH.wav`.

    `auto` is the sound card and, where none answers, the terminal's bell. Raises SoundError.
    """
    if to == "none":
        return NoSink()
    if to == "bell":
        return BellSink(terminal, clock)
    if to == "auto":
        return CardSink(BellSink(terminal, clock), clock)
    if to.startswith("file:") and len(to) > len("file:"):
        return TrackSink(Path(to.removeprefix("file:")).expanduser(), clock)
    raise SoundError(f'"{to}" is no place for sound: use auto, bell, none or file:PATH.wav.')


class NoSink:
    """Silence."""

    trouble = ""

    def play(self, name: str) -> None:
        """Play nothing."""

    def hold(self, wanted: bool) -> None:
        """Hold nothing."""

    def close(self) -> None:
        """Close nothing."""


class BellSink(Player):
    """The terminal's bell: the rhythm of each sound without its pitch."""

    _APART_S = 0.11
    """Two bells closer than this are one bell in most terminals."""

    def __init__(self, terminal: TextIO | None, clock: Clock = time.monotonic) -> None:
        self._fd = terminal.fileno() if terminal is not None and terminal.isatty() else None
        self._due: deque[float] = deque()
        self._last = float("-inf")
        super().__init__(clock)

    def _nap_s(self) -> float | None:
        return max(0.0, self._due[0] - self._clock()) if self._due else None

    def _turn(self, asked: tuple[tuple[float, str], ...], poked: bool) -> None:
        for at, name in asked:
            if name in TICKS and (self._due or self._clock() - at > STALE_TICK_S):
                continue
            self._due = deque(at + onset for onset in onsets_s(name))
        while self._due and self._due[0] <= self._clock():
            self._ring(self._due.popleft())

    def _ring(self, at: float) -> None:
        if self._fd is None or at - self._last < self._APART_S:
            return
        self._last = at
        try:
            os.write(self._fd, b"\a")
        except OSError:
            self._fd = None


class TrackSink(Player):
    """A WAV file as long as the time that has passed: each sound stands where it was heard.

    The silence is left as a hole in the file, so it costs no disk. The header is rewritten after
    the samples that it counts, so that the file is whole whenever the program is killed.
    """

    _LONGEST_S = 4 * 3600.0
    _HEAD = 44

    def __init__(self, path: Path, clock: Clock = time.monotonic) -> None:
        try:
            self._file = path.open("wb", buffering=0)
        except OSError as error:
            raise SoundError(
                f"The sound file {path} cannot be written ({error.strerror}). "
                "Give another path, or --sound none."
            ) from error
        self._path = path
        self._began = clock()
        self._frames = 0
        self._mixer = Mixer()
        self._head()
        super().__init__(clock)

    def _nap_s(self) -> float | None:
        return 0.1 if self._mixer.sounding else 0.5

    def _turn(self, asked: tuple[tuple[float, str], ...], poked: bool) -> None:
        if self.trouble:
            return
        try:
            for at, name in asked:
                self._grow_to(at)
                self._mixer.play(name)
            self._grow_to(self._clock())
            self._head()
        except OSError as error:
            self.trouble = (
                f"The sound file {self._path} takes no more ({error.strerror}); "
                "it ends here, all else goes on."
            )

    def _finish(self) -> None:
        self._file.close()

    def _grow_to(self, at_s: float) -> None:
        passed_s = at_s - self._began
        if passed_s > self._LONGEST_S:
            passed_s = self._LONGEST_S
            self.trouble = f"The sound file {self._path} is four hours long and ends here."
        more = round(passed_s * RATE) - self._frames
        if more <= 0:
            return
        if self._mixer.sounding:
            os.pwrite(self._file.fileno(), self._mixer.take(more), self._HEAD + 2 * self._frames)
        self._frames += more
        os.ftruncate(self._file.fileno(), self._HEAD + 2 * self._frames)

    def _head(self) -> None:
        """Write the canonical RIFF/WAVE header for PCM, one channel, 16 bit."""
        size = 2 * self._frames
        fields = (1, 1, RATE, 2 * RATE, 2, 16)
        head = b"RIFF" + struct.pack("<I", 36 + size) + b"WAVEfmt " + struct.pack("<I", 16)
        head += struct.pack("<HHIIHH", *fields) + b"data" + struct.pack("<I", size)
        os.pwrite(self._file.fileno(), head, 0)
