"""The sound card, by way of `aplay`.

Owns the child process and how far ahead of time it is fed; does not know what a sound means.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from collections import deque

from drivers.player import STALE_TICK_S, Clock, Player, Sink
from drivers.tones import RATE, TICKS, Mixer


class CardSink(Player):
    """The sound card. Where none answers, the fallback is used and `trouble` says so.

    The way is tried when the sink is opened, and again each time it is held.
    """

    _LINGER_S = 2.0
    _STUCK_S = 1.0
    _TURN_S = 0.03

    def __init__(self, fallback: Sink, clock: Clock = time.monotonic) -> None:
        self._fallback = fallback
        self._mixer = Mixer()
        self._stream: CardStream | None = None
        self._recent: deque[tuple[float, str]] = deque(maxlen=4)
        self._busy_at = clock()
        self._tried = False
        super().__init__(clock)
        self._poke()

    def close(self) -> None:
        """Play out what is left, then let the fallback go too."""
        super().close()
        self._fallback.close()

    def _nap_s(self) -> float | None:
        return self._TURN_S if self._stream is not None else None

    def _turn(self, asked: tuple[tuple[float, str], ...], poked: bool) -> None:
        now = self._clock()
        if poked and self._stream is None and (self._held or not self._tried):
            self._tried = True
            self._open(now)
        for at, name in asked:
            if name not in TICKS or now - at < STALE_TICK_S:
                self._begin(now, name)
        if self._stream is not None:
            self._go_on(self._stream, now)

    def _begin(self, now: float, name: str) -> None:
        if self._stream is None and not self.trouble:
            self._open(now)
        if self._stream is None:
            self._fallback.play(name)
            return
        self._recent.append((now, name))
        self._mixer.play(name)

    def _open(self, now: float) -> None:
        try:
            self._stream = CardStream(now)
            self.trouble = ""
        except FileNotFoundError:
            self._give_up(now, "aplay is not installed (Debian: alsa-utils)")
        except OSError as error:
            self._give_up(now, f"aplay does not start ({error.strerror})")

    def _go_on(self, stream: CardStream, now: float) -> None:
        if self._held or self._mixer.sounding:
            self._busy_at = now
            stream.feed(self._mixer, now)
        if stream.ended:
            self._give_up(now, "no sound card answers")
        elif stream.stuck_s(now) > self._STUCK_S:
            self._give_up(now, "the sound card takes no more sound")
        elif now - self._busy_at > self._LINGER_S:
            stream.close()
            self._stream = None

    def _give_up(self, now: float, why: str) -> None:
        self.trouble = f"No sound from the card: {why}. The terminal's bell rings instead."
        if self._stream is not None:
            self._stream.kill()
        self._stream = None
        self._mixer = Mixer()
        for at, name in self._recent:
            if now - at < 0.5:
                self._fallback.play(name)
        self._recent.clear()

    def _finish(self) -> None:
        if self._stream is None:
            return
        if self._mixer.sounding:
            self._stream.feed(self._mixer, self._clock(), everything=True)
        self._stream.close()


class CardStream:
    """One run of `aplay`, fed with samples as they fall due.

    Silence is fed too, so that the card runs already when a cue comes: some outputs swallow the
    first tenths of a second after a start. Only hundredths of a second are ever fed ahead, so that
    a stop cuts into a tick almost at once; a little more while something sounds, because a gap
    there would be heard.
    """

    QUIET_AHEAD_S = 0.05
    SOUND_AHEAD_S = 0.08
    COMMAND = (
        *("aplay", "-q", "-t", "raw", "-f", "S16_LE", "-r", str(RATE), "-c", "1"),
        *("--buffer-time=80000", "--period-time=10000", "--start-delay=1", "-"),
    )

    def __init__(self, now: float) -> None:
        self._child = subprocess.Popen(
            self.COMMAND,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        assert self._child.stdin is not None
        self._pipe = self._child.stdin.fileno()
        os.set_blocking(self._pipe, False)
        self._unsent = b""
        self._line_at = now
        self._moved_at = now
        self._frames = 0

    @property
    def ended(self) -> bool:
        """Whether aplay has gone away, which it does at once when there is no card."""
        return self._child.poll() is not None

    def stuck_s(self, now: float) -> float:
        """Seconds since the card last took what was offered; 0 when nothing is left over."""
        return now - self._moved_at if self._unsent else 0.0

    def feed(self, mixer: Mixer, now: float, *, everything: bool = False) -> None:
        """Send what must be with the card by now."""
        if not self._unsent:
            played_s = now - self._line_at
            if self._frames < played_s * RATE:
                self._line_at, played_s, self._frames = now, 0.0, 0
            ahead = self.SOUND_AHEAD_S if mixer.sounding else self.QUIET_AHEAD_S
            ahead = 0.5 if everything else ahead
            more = int((played_s + ahead) * RATE) - self._frames
            if more <= 0:
                return
            self._unsent = mixer.take(more)
            self._frames += more
        try:
            sent = os.write(self._pipe, self._unsent)
        except BlockingIOError:
            return
        except OSError:
            self._unsent = b""
            return
        self._unsent = self._unsent[sent:]
        self._moved_at = now

    def close(self) -> None:
        """Let aplay play out what it has; it ends by itself when its input does."""
        self._shut()
        try:
            self._child.wait(timeout=0.5)
        except subprocess.TimeoutExpired:
            self.kill()

    def kill(self) -> None:
        """End aplay at once."""
        self._child.kill()
        self._shut()
        self._child.wait()

    def _shut(self) -> None:
        if self._child.stdin is not None:
            with contextlib.suppress(OSError):
                self._child.stdin.close()
