"""`scale listen`, `scale profiles`, `scale decode`: what a scale sends, and how it reads.

Owns the arguments of these commands and the lines they print. What bytes mean is decided in
`drivers`; nothing here reaches a bench or a journal.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from collections.abc import Iterable, Iterator
from itertools import count
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from daemon.cli_numbers import within

if TYPE_CHECKING:
    from drivers.reading import Reading
    from drivers.scale_profile import Profile

PIECE = 1 << 16
WHOLE = 1 << 20
"""Up to so many bytes a stream is recognised as a whole; of a longer one its beginning decides."""
_LEAST_FOR_PARITY = 32
_ODD = bytes(code for code in range(256) if code.bit_count() & 1)
_EVEN = bytes(code for code in range(256) if not code.bit_count() & 1)


class ScaleError(Exception):
    """A scale, or a recording of one, that cannot be heard; the text says what to do."""


def add_parsers(commands: Any, common: argparse.ArgumentParser) -> None:
    """Add these commands."""
    scale = commands.add_parser(
        "scale",
        help="what a scale sends, and how its lines read",
        epilog="example: benchpour scale listen --scale /dev/ttyUSB0",
    )
    which = scale.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_listen(which, common)
    profiles = which.add_parser(
        "profiles",
        parents=[common],
        help="the line shapes that are known",
        epilog="example: benchpour scale profiles",
    )
    profiles.add_argument("--json", action="store_true", help="one JSON object a line")
    profiles.set_defaults(run=_profiles)
    _add_decode(which, common)
    from daemon.cli_scale_learn import add_learn

    add_learn(which, common)


def _add_listen(which: Any, common: argparse.ArgumentParser) -> None:
    listen = which.add_parser(
        "listen",
        parents=[common],
        help="show what a port sends, raw and decoded, until Ctrl-C",
        epilog="example: benchpour scale listen --scale /dev/ttyUSB0 --seconds 10",
    )
    listen.add_argument(
        "--scale", metavar="URL", help="a device path, any pyserial URL, or hid:auto"
    )
    listen.add_argument(
        "--profile", metavar="NAME-or-FILE", help="how its lines read (default: recognise it)"
    )
    listen.add_argument("--seconds", type=_seconds, metavar="N", help="stop after so long")
    listen.add_argument("--json", action="store_true", help="one JSON object a line")
    listen.set_defaults(run=_listen)


def _add_decode(which: Any, common: argparse.ArgumentParser) -> None:
    decode = which.add_parser(
        "decode",
        parents=[common],
        help="turn recorded bytes into readings, one JSON object a line",
        epilog="example: benchpour scale decode capture.bin --profile flag-comma-signed",
    )
    decode.add_argument("file", metavar="FILE", help="raw bytes from a scale; - is standard input")
    decode.add_argument(
        "--profile", metavar="NAME-or-FILE", help="how its lines read (default: recognise it)"
    )
    decode.add_argument(
        "--period-ms",
        type=_milliseconds,
        default=100.0,
        metavar="N",
        help="time from frame to frame (default 100); 0 where each was asked for by hand",
    )
    decode.set_defaults(run=_decode)


def _seconds(text: str) -> float:
    return within(text, 0.1, 864_000, "seconds")


def _milliseconds(text: str) -> float:
    return within(text, 0, 3_600_000, "milliseconds")


def _profile(name: str | None) -> Profile | None:
    """The shape of that name; None where it is to be recognised."""
    from drivers.scale_profile import load_profile

    return None if name in (None, "", "auto") else load_profile(str(name))


def _listen(args: argparse.Namespace) -> int:
    from daemon.cli_run import settings
    from daemon.cli_scale_listen import listen, shape_of

    scale = settings(args).scale
    return listen(scale, shape_of(scale), args.seconds, as_json=args.json)


# -- profiles ----------------------------------------------------------------------------------


def _profiles(args: argparse.Namespace) -> int:
    from drivers.notation import to_text
    from drivers.scale_profile import load_profile, shipped_files

    every = [load_profile(file.stem) for file in shipped_files()]
    width = max(len(profile.name) for profile in every)
    for profile in every:
        asks = to_text(profile.request.send) if profile.request else None
        if args.json:
            row = {
                "name": profile.name,
                "about": profile.about,
                "settings": profile.settings,
                "asks": asks,
                "recognised": profile.recognise,
            }
            print(json.dumps(row))
        else:
            asked = f"; asked with {asks}" if asks else ""
            print(f"{profile.name:<{width}}  {profile.about} ({profile.settings[0]}{asked})")
    return 0


# -- decode ------------------------------------------------------------------------------------


def _decode(args: argparse.Namespace) -> int:
    from drivers.stream_decode import reading_as_json

    profile = _profile(args.profile)
    with _opened(args.file) as file:
        for reading in _readings(file, profile, args.period_ms):
            print(json.dumps(reading_as_json(reading)))
    return 0


@contextlib.contextmanager
def _opened(name: str) -> Iterator[IO[bytes]]:
    """The bytes of a file, or of standard input, as a file that can be read twice."""
    import shutil
    import tempfile

    with contextlib.ExitStack() as stack:
        try:
            given = sys.stdin.buffer if name == "-" else stack.enter_context(Path(name).open("rb"))
            if name == "-" or not given.seekable():
                kept = stack.enter_context(tempfile.SpooledTemporaryFile(max_size=16 * WHOLE))
                shutil.copyfileobj(given, kept, PIECE)
                kept.seek(0)
                given = kept
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or str(error)
            raise ScaleError(
                f"{name} cannot be read: {why}. Name a file of raw bytes from the scale, or - for "
                "standard input."
            ) from None
        yield given


def _readings(file: IO[bytes], profile: Profile | None, period_ms: float) -> Iterable[Reading]:
    """What is in the stream; raises NotRecognisedError where no shape fits or several differ."""
    if profile is not None:
        return _piece_by_piece(file, profile, period_ms)
    beginning = file.read(WHOLE)
    if not file.read(1):
        return _recognised(beginning, period_ms)
    profile = _shape_of(beginning)
    file.seek(0)
    if profile is not None:
        return _piece_by_piece(file, profile, period_ms)
    return _recognised(file.read(), period_ms)


def _recognised(data: bytes, period_ms: float) -> Iterable[Reading]:
    from drivers.stream_decode import decode_stream

    found = decode_stream(data, None, period_ms)
    _say(found.note)
    return found.readings


def _shape_of(beginning: bytes) -> Profile | None:
    """The one shape that the beginning of a long stream has; None where that is not enough."""
    from drivers.scale_profile import load_profile
    from drivers.stream_decode import NotRecognisedError, decode_stream

    try:
        found = decode_stream(beginning)
    except NotRecognisedError:
        return None
    if len(found.profiles) > 1:
        return None
    _say(found.note)
    return load_profile(found.profiles[0])


def _say(note: str) -> None:
    print(f"benchpour: {note}", file=sys.stderr)


def _piece_by_piece(file: IO[bytes], profile: Profile, period_ms: float) -> Iterator[Reading]:
    """The same readings as of the whole, however long the stream is."""
    from drivers.decoder import Decoder
    from drivers.line_settings import seven_bits
    from drivers.reading import Reading

    parity = not profile.reports and _has_parity(file)
    decoder = Decoder(profile, carry_unit=False)
    ticks = count()
    file.seek(0)
    while piece := file.read(PIECE):
        bare = seven_bits(piece) if parity else piece
        for _, item in decoder.step(bare, lambda: next(ticks) * period_ms / 1000.0):
            if isinstance(item, Reading):
                yield item


def _has_parity(file: IO[bytes]) -> bool:
    """Whether bit 7 of every byte is the parity of the others: seven-bit text read as eight."""
    size, high, odd, even = 0, False, False, False
    while (piece := file.read(PIECE)) and not (odd and even):
        size += len(piece)
        high = high or not piece.isascii()
        odd = odd or bool(piece.translate(None, _EVEN))
        even = even or bool(piece.translate(None, _ODD))
    return size >= _LEAST_FOR_PARITY and high and odd != even
