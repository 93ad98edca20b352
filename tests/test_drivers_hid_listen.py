"""A HID scale on the command line: taken for what it is, listened to, examined, and poured with."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon import doctor_links
from daemon.cli import UsageError, main
from daemon.cli_run import read_scale
from daemon.cli_scale_listen import Listener, hear, shape_of
from daemon.config import Config, Scale
from daemon.doctor_finding import Case
from daemon.run import Running, RunOptions
from drivers.hid_frames import descriptor_line
from drivers.reading import Garbled, Reading
from tests.kit_hid import StandInScale, report, usual

SHAPE = "hid-scale-report"
LONGEST_S = 8.0


@pytest.fixture(autouse=True)
def folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Settings of its own."""
    for name in ("CONFIGURATION", "STATE", "RUNTIME"):
        monkeypatch.setenv(f"{name}_DIRECTORY", str(tmp_path / name.lower()))


@pytest.fixture
def scale(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[StandInScale]:
    made = StandInScale(tmp_path, monkeypatch)
    yield made
    made.close()


async def saying(scale: StandInScale, path: str) -> None:
    """The scale weighs the same over and over."""
    while True:
        scale.say(path, report(1254, -1))
        await asyncio.sleep(0.02)


@pytest.mark.parametrize("url", ["hid:auto", "/dev/hidraw0"])
def test_a_hid_scale_says_itself_how_its_reports_read(url):
    for named in ("auto", "", SHAPE):
        shape = shape_of(Scale(url=url, profile=named))
        assert shape is not None
        assert shape.name == SHAPE


def test_a_serial_scale_is_recognised_or_read_as_was_said():
    assert shape_of(Scale(url="/dev/ttyUSB0")) is None
    named = shape_of(Scale(url="/dev/ttyUSB0", profile="flag-comma-signed"))
    assert named is not None
    assert named.name == "flag-comma-signed"


@pytest.mark.parametrize(
    ("url", "profile", "said"),
    [
        ("hid:auto", "flag-comma-signed", "leave --profile out"),
        ("/dev/ttyUSB0", SHAPE, "give --scale hid:auto with it"),
        ("hid:left", "auto", "neither hid:auto nor like hid:/dev/hidraw0"),
    ],
)
def test_what_does_not_go_together_is_a_wrong_use(url, profile, said, capsys):
    assert main(["scale", "listen", "--scale", url, "--profile", profile]) == 2
    assert said in capsys.readouterr().err
    with pytest.raises(UsageError, match=said):
        Listener(Scale(url=url), shape_of(Scale(url=url, profile=profile)), lambda *_: None, print)


def test_a_scale_that_is_not_there_is_said_in_a_sentence(scale, capsys):
    assert main(["scale", "listen", "--scale", "hid:auto", "--seconds", "5"]) == 1
    said = capsys.readouterr().err
    assert said.startswith("benchpour: the HID scale is not there")
    assert said.count("\n") == 1


async def test_what_it_sends_is_shown_raw_and_decoded(scale):
    path = scale.plug_in(usual())
    told: list[tuple[bytes, Reading | Garbled | None]] = []
    notes: list[str] = []
    at = Scale(url="hid:auto")
    ear = Listener(at, shape_of(at), lambda _t, raw, item: told.append((raw, item)), notes.append)
    talk = asyncio.create_task(saying(scale, path))
    await hear(ear, lambda: ear.readings > 3, LONGEST_S)
    talk.cancel()
    assert f"listening to {path} over USB HID" in notes
    assert told[0][0].startswith(descriptor_line(usual()))
    last = told[3][1]
    assert isinstance(last, Reading)
    assert (last.text, last.unit, last.trusted) == ("125.4", "g", True)
    assert ear.garbled == 0


async def test_the_doctor_hears_it(scale):
    path = scale.plug_in(usual())
    talk = asyncio.create_task(saying(scale, path))
    case = Case(Config.model_validate({"scale": {"url": "hid:auto"}}), None)
    found = await asyncio.to_thread(lambda: list(doctor_links.scale(case)))
    talk.cancel()
    assert [(f.check, f.ok, f.said) for f in found] == [
        ("scale", True, "hid:auto sends (USB HID)"),
        ("line shape", True, SHAPE),
    ]


def test_the_doctor_names_the_hid_scales_there_are(scale):
    path = scale.plug_in(usual(), "counter scale")
    (finding,) = doctor_links.scale(Case(Config(), None))
    assert finding.do.endswith(f"; USB HID scales: hid:{path} (counter scale)")


async def test_a_daemon_reads_it_and_knows_its_reports_after_a_restart(scale, tmp_path):
    path = scale.plug_in(usual(7))
    config = Config.model_validate(
        {
            "scale": {"url": f"hid:{path}"},
            "broker": {"url": "none"},
            "phone": {"off": True},
            "sound": {"to": "none"},
        }
    )
    options = RunOptions(config=config, console="none", profile=shape_of(config.scale))
    running = Running(options, tmp_path / "store")
    task = asyncio.create_task(running.run(read_scale))
    async with asyncio.timeout(LONGEST_S):
        while running.bench.weighing.gross_g != 125.4:
            scale.say(path, report(1254, -1, report_id=7))
            await asyncio.sleep(0.02)
        running.stop.set()
        await task
    assert running.bench.link.profile == SHAPE
    again = Running(options, tmp_path / "store")
    decoder = again.restart.engine.decoder
    assert decoder.profile_name == SHAPE
    assert decoder.snapshot()["reader"]["descriptor"] == usual(7).hex()
    again.journal.close()
