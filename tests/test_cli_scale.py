"""`scale listen`, `profiles`, `decode`: what a scale sent is shown, and nothing it did not send."""

from __future__ import annotations

import fcntl
import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon import cli_scale
from daemon.cli import main
from drivers.scale_profile import load_profile, shipped_files
from drivers.stream_decode import decode_stream
from tests.frame_streams import Stream, serial_streams
from tests.kit_port import PtyScale

ROOT = Path(__file__).parents[1]
PROGRAM = (sys.executable, "-m", "daemon", "scale")
SHAPE = "flag-comma-signed"
MEMBERS = ["at", "text", "grams", "unit", "declared", "overload", "net", "trusted"]
LONGEST_S = 20.0


@pytest.fixture(autouse=True)
def folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Settings of its own."""
    monkeypatch.setenv("CONFIGURATION_DIRECTORY", str(tmp_path / "configuration"))
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    return tmp_path


@pytest.fixture
def scale(tmp_path: Path) -> Iterator[PtyScale]:
    """A scale on a pseudo-terminal."""
    made = PtyScale(tmp_path / "scale")
    yield made
    made.pull_out()


def lines(*texts: str) -> bytes:
    """Frames of the shape `SHAPE`."""
    return b"".join(text.encode() + b"\r\n" for text in texts)


A, B, MOVING = "ST,GS,+   36.5 g", "ST,GS,+  125.4 g", "US,GS,+   80.0 g"
LOADED = lines(A, A, A, MOVING, B, B, B)


def recorded(folder: Path, data: bytes) -> str:
    path = folder / "capture.bin"
    path.write_bytes(data)
    return str(path)


def decoded(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> list[Any]:
    assert main(["scale", "decode", *words]) == status
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def told(rows: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
    names = ("at", "text", "unit", "declared", "overload", "net")
    return [tuple(row[name] for name in names) for row in rows]


# -- profiles ----------------------------------------------------------------------------------


def test_every_known_shape_is_listed_with_what_it_looks_like(capsys):
    assert main(["scale", "profiles"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in said] == [file.stem for file in shipped_files()]
    line = next(line for line in said if line.startswith(SHAPE))
    assert "ST,GS,+   36.5 g" in line
    assert "9600 8N1" in line


def test_a_shape_that_must_be_asked_says_how(capsys):
    assert main(["scale", "profiles", "--json"]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    asked = {row["name"]: row["asks"] for row in rows}
    assert asked["echo-letter-right10"] == "SI<CR><LF>"
    assert asked[SHAPE] is None


# -- decode ------------------------------------------------------------------------------------


def test_a_reading_has_the_members_of_the_contract_in_its_order(tmp_path, capsys):
    rows = decoded(capsys, recorded(tmp_path, LOADED), "--profile", SHAPE)
    assert all(list(row) == MEMBERS for row in rows)
    assert rows[-1] == {
        "at": len(LOADED),
        "text": "125.4",
        "grams": 125.4,
        "unit": "g",
        "declared": True,
        "overload": False,
        "net": False,
        "trusted": True,
    }
    moving = next(row for row in rows if row["text"] == "80.0")
    assert (moving["declared"], moving["trusted"]) == (False, False)


@pytest.mark.parametrize("stream", serial_streams(), ids=str)
def test_each_recorded_stream_reads_as_it_must(stream: Stream, tmp_path, capsys):
    path = recorded(tmp_path, stream.data)
    period = str(stream.period_ms)
    rows = decoded(capsys, path, "--profile", stream.id, "--period-ms", period)
    assert told(rows) == list(stream.expected)
    assert not {row["text"] for row in rows if row["trusted"]} & set(stream.must_not)


UNREADABLE = [stream for stream in serial_streams(wrong=True) if not stream.alt]


@pytest.mark.parametrize("stream", UNREADABLE, ids=str)
def test_where_no_shape_fits_it_says_what_was_seen(stream: Stream, tmp_path, capsys):
    assert main(["scale", "decode", recorded(tmp_path, stream.data)]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert f"no known line shape fits these {len(stream.data)} bytes; they begin with <" in said.err
    assert said.err.count("\n") == 1


def test_an_unnamed_stream_is_recognised_and_the_shape_is_told_aside(tmp_path, capsys):
    path = recorded(tmp_path, LOADED)
    assert main(["scale", "decode", path]) == 0
    said = capsys.readouterr()
    assert said.err == f"benchpour: recognised as {SHAPE}\n"
    named = decoded(capsys, path, "--profile", SHAPE)
    assert [json.loads(line) for line in said.out.splitlines()] == named


def test_nothing_at_all_fits_no_shape_but_holds_no_reading_of_a_named_one(tmp_path, capsys):
    path = recorded(tmp_path, b"")
    assert decoded(capsys, path, status=1) == []
    assert decoded(capsys, path, "--profile", SHAPE) == []


def test_a_shape_of_ones_own_is_taken_from_its_file(tmp_path, capsys):
    text = next(file for file in shipped_files() if file.stem == SHAPE).read_text()
    file = tmp_path / "own.toml"
    file.write_text(text.replace(f'"{SHAPE}"', '"own"', 1))
    path = recorded(tmp_path, LOADED)
    rows = decoded(capsys, path, "--profile", str(file))
    assert rows == decoded(capsys, path, "--profile", SHAPE)


def test_a_shape_that_is_none_is_said_with_its_file(tmp_path, capsys):
    file = tmp_path / "own.toml"
    file.write_text('name = "own"\nend = "<LF>"\n')
    assert main(["scale", "decode", recorded(tmp_path, LOADED), "--profile", str(file)]) == 1
    assert f"{file}: form" in capsys.readouterr().err
    assert main(["scale", "decode", recorded(tmp_path, LOADED), "--profile", "nope"]) == 1
    assert "bare-number-line-cr, bare-number-line, " in capsys.readouterr().err


def test_trust_in_a_scale_that_says_nothing_of_rest_needs_time(tmp_path, capsys):
    """Equal numbers are at rest after 0.6 s: four are not at every 100 ms, and are at every 400."""
    path = recorded(tmp_path, b"    36.52\r\n" * 4)
    named = (path, "--profile", "bare-number-line")
    quick = decoded(capsys, *named, "--period-ms", "100")
    slow = decoded(capsys, *named, "--period-ms", "400")
    assert [row["trusted"] for row in quick] == [False] * len(quick)
    assert [row["trusted"] for row in slow][-1]


@pytest.mark.parametrize("period", ["-5", "nan", "soon", "1e9"])
def test_a_period_that_cannot_be_is_refused(period, capsys):
    assert main(["scale", "decode", "-", "--period-ms", period]) == 2
    assert "milliseconds, from 0" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["gone.bin", ".", "no\0name"])
def test_a_file_that_cannot_be_read_is_said_so(name, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["scale", "decode", name]) == 1
    assert "cannot be read: " in capsys.readouterr().err


def test_standard_input_will_do_for_a_file(tmp_path, capsys):
    expected = decoded(capsys, recorded(tmp_path, LOADED))
    done = subprocess.run(
        [*PROGRAM, "decode", "-"],
        cwd=ROOT,
        input=LOADED,
        capture_output=True,
        timeout=LONGEST_S,
        check=True,
    )
    assert [json.loads(line) for line in done.stdout.splitlines()] == expected


@pytest.mark.parametrize("stream", serial_streams(), ids=str)
@pytest.mark.parametrize("piece", [7, 64])
def test_pieces_of_any_size_give_the_readings_of_the_whole(stream: Stream, piece, monkeypatch):
    monkeypatch.setattr(cli_scale, "PIECE", piece)
    profile = load_profile(stream.id)
    found = cli_scale._readings(io.BytesIO(stream.data), profile, stream.period_ms)
    assert tuple(found) == decode_stream(stream.data, profile, stream.period_ms).readings


def test_a_long_stream_is_recognised_by_its_beginning_and_read_in_pieces(monkeypatch, capsys):
    monkeypatch.setattr(cli_scale, "WHOLE", 4 * len(LOADED))
    asked: list[int] = []

    class File(io.BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            asked.append(-1 if size is None else size)
            return super().read(size)

    found = tuple(cli_scale._readings(File(LOADED * 50), None, 100.0))
    assert found == decode_stream(LOADED * 50).readings
    assert -1 not in asked
    assert capsys.readouterr().err == f"benchpour: recognised as {SHAPE}\n"


def test_a_long_stream_whose_beginning_is_noise_is_looked_at_as_a_whole(monkeypatch):
    monkeypatch.setattr(cli_scale, "WHOLE", 64)
    data = bytes(range(128, 256)) + LOADED * 5
    assert tuple(cli_scale._readings(io.BytesIO(data), None, 100.0)) == decode_stream(data).readings


def test_seven_bits_and_parity_read_as_eight_bits_are_still_read():
    """Bit 7 of every byte makes the number of ones even."""
    even = bytes(code | (0x80 if code.bit_count() & 1 else 0) for code in LOADED)
    profile = load_profile(SHAPE)
    found = tuple(cli_scale._readings(io.BytesIO(even), profile, 100.0))
    assert found == decode_stream(LOADED, profile).readings


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=400))
def test_any_bytes_at_all_are_read_or_refused_in_a_sentence(tmp_path, capsys, data):
    path = recorded(tmp_path, data)
    status = main(["scale", "decode", path])
    said = capsys.readouterr()
    assert status in (0, 1)
    assert said.err.startswith("benchpour: ")
    assert said.err.count("\n") == 1
    for line in said.out.splitlines():
        assert list(json.loads(line)) == MEMBERS


# -- listen ------------------------------------------------------------------------------------


class Listening:
    """`scale listen` as a process, its lines read as they come."""

    def __init__(self, *words: str) -> None:
        self._child = subprocess.Popen(
            [*PROGRAM, "listen", *words],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.out: list[str] = []
        self.err: list[str] = []
        self._readers = [
            threading.Thread(target=lambda file=file, to=to: to.extend(iter(file.readline, "")))
            for file, to in ((self._child.stdout, self.out), (self._child.stderr, self.err))
        ]
        for reader in self._readers:
            reader.start()

    def until(self, true: Callable[[], object], meanwhile: Callable[[], object]) -> None:
        """Let something happen over and over until this is so."""
        end_s = time.monotonic() + LONGEST_S
        while not true():
            assert time.monotonic() < end_s, f"waited in vain: {self.out[-3:]} {self.err}"
            meanwhile()
            threading.Event().wait(0.02)

    def end(self, sort: signal.Signals = signal.SIGINT) -> int:
        self._child.send_signal(sort)
        return self.wait()

    def wait(self) -> int:
        status = self._child.wait(LONGEST_S)
        for reader in self._readers:
            reader.join(LONGEST_S)
        return status


@pytest.mark.parametrize("sort", [signal.SIGINT, signal.SIGTERM])
def test_what_comes_is_shown_raw_and_decoded_until_it_is_stopped(scale, sort):
    listening = Listening("--scale", str(scale.link))
    listening.until(
        lambda: any("36.5 g  stable  at rest" in line for line in listening.out),
        lambda: scale.say(lines(A)),
    )
    assert listening.end(sort) == 0
    line = next(line for line in listening.out if "at rest" in line)
    assert line.endswith("ST,GS,+   36.5 g<CR><LF>\n")
    said = "".join(listening.err)
    assert f"listening to {scale.link} at 9600 8N1" in said
    assert f"the line shape is {SHAPE}" in said
    assert "0 damaged" in said
    assert "Traceback" not in said


def test_a_program_gets_one_object_a_frame_with_its_bytes(scale):
    listening = Listening("--scale", str(scale.link), "--profile", SHAPE, "--json")
    damaged = b"ST,GS,+   3\x00\xff6 g\r\n"
    listening.until(
        lambda: any("garbled" in line for line in listening.out),
        lambda: scale.say(lines(A, A) + damaged + lines(A)),
    )
    assert listening.end() == 0
    rows = [json.loads(line) for line in listening.out]
    good = next(row for row in rows if row.get("trusted"))
    assert good["raw"].encode("latin-1") == lines(A)
    assert list(good) == ["t", "raw", *MEMBERS]
    bad = next(row for row in rows if "garbled" in row)
    assert bad["raw"].encode("latin-1") == damaged


def test_bytes_that_fit_no_shape_are_shown_as_they_are(scale):
    listening = Listening("--scale", str(scale.link))
    listening.until(lambda: listening.out, lambda: scale.say(b"hello\x1b[2J\x07 there\r\n"))
    assert listening.end() == 0
    assert "hello<ESC>[2J<BEL> there<CR><LF>" in listening.out[0]
    assert "no known line shape fits what is heard" in listening.err[-1]


def test_it_can_be_told_how_long_to_listen(scale):
    listening = Listening("--scale", str(scale.link), "--seconds", "1")
    assert listening.wait() == 1
    assert "Nothing came from" in listening.err[-1]


def test_a_cable_that_is_pulled_is_said_and_waited_for(scale):
    listening = Listening("--scale", str(scale.link), "--profile", SHAPE)
    listening.until(lambda: listening.out, lambda: scale.say(lines(A)))
    scale.pull_out()
    listening.until(
        lambda: any("went away" in line or "is not there" in line for line in listening.err),
        lambda: None,
    )
    scale.plug_in()
    listening.until(
        lambda: any("125.4 g" in line for line in listening.out), lambda: scale.say(lines(B))
    )
    assert listening.end() == 0


def test_a_port_that_another_program_has_is_said_so(scale, capsys):
    port = os.open(scale.name, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(port, fcntl.LOCK_EX)
    assert main(["scale", "listen", "--scale", scale.name]) == 1
    os.close(port)
    said = capsys.readouterr().err
    assert f"{scale.name} is in use by" in said
    assert f"(process {os.getpid()})" in said


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("--scale", "/dev/nowhere"), 1, "/dev/nowhere is not there: is the cable in"),
        (("--scale", "socket://127.0.0.1:1"), 1, "nothing answers at socket://127.0.0.1:1"),
        (("--scale", "made-up://x"), 2, "protocol 'made-up' not known"),
        ((), 2, "No scale is named."),
        (("--scale", "/dev/nowhere", "--profile", "nope"), 1, "no line shape is called 'nope'"),
        (("--seconds", "0"), 2, "seconds, from 0.1"),
    ],
)
def test_what_cannot_be_listened_to_is_said_in_a_sentence(words, status, said, capsys):
    assert main(["scale", "listen", *words]) == status
    assert said in capsys.readouterr().err


def test_the_scale_of_the_settings_is_listened_to(folders, capsys):
    file = folders / "bench.toml"
    file.write_text('[scale]\nurl = "/dev/nowhere"\n')
    assert main(["scale", "listen", "--config", str(file)]) == 1
    assert "/dev/nowhere is not there" in capsys.readouterr().err
