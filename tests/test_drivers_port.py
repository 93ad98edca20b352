"""A scale's port through what happens to it: unplugged, taken, silent, mis-set, stalled."""

from __future__ import annotations

import asyncio
import os
import subprocess
import threading
import time
from functools import partial

import pytest

from drivers import port_names, scale_port
from drivers.decoder import Decoder
from drivers.line_settings import LineSettings, Trial, trials_for, trials_for_any
from drivers.port_names import PortThere
from drivers.reading import Reading
from drivers.recogniser import Recogniser
from drivers.scale_port import ScalePort
from drivers.scale_profile import known_profiles, load_profile
from tests.kit_port import Heard, PtyScale, Rfc2217Scale, TcpScale, fast_clock, running

pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning:serial")

LINE = load_profile("flag-comma-signed").render("36.5")


@pytest.fixture
def scale(tmp_path):
    return PtyScale(tmp_path / "scale")


def port_of(url: str, heard: Heard, clock=time.monotonic, **more) -> ScalePort:
    return ScalePort(
        url,
        clock=clock,
        on_bytes=heard.bytes_came,
        on_lost=heard.lost,
        on_found=heard.found,
        **more,
    )


async def test_bytes_come_in_order_stamped_by_the_clock_that_was_handed_in(scale):
    heard = Heard()
    before = time.monotonic()
    async with running(port_of(str(scale.link), heard)):
        await heard.until(lambda: heard.kinds == ["found"])
        for _ in range(5):
            scale.say(LINE)
        await heard.until_data(LINE * 5)
    stamps = [at_s for _, at_s, _ in heard.log]
    assert stamps == sorted(stamps)
    assert before <= stamps[0] <= stamps[-1] <= time.monotonic()
    assert heard.told("found") == [str(scale.link)]


async def test_what_was_sent_before_the_port_was_open_is_not_heard(scale):
    keep = os.open(scale.name, os.O_RDWR | os.O_NOCTTY)  # else nobody would hold the bytes
    scale.say(b"ST,GS,+  999.9 g\r\n" * 3)
    heard = Heard()
    async with running(port_of(str(scale.link), heard)):
        await heard.until(lambda: heard.kinds == ["found"])
        scale.say(LINE)
        await heard.until_data(LINE)
    os.close(keep)
    assert heard.kinds == ["found", "bytes"]


async def test_a_cable_out_is_told_once_in_a_sentence_and_the_scale_found_again_when_back(scale):
    heard = Heard()
    async with running(port_of(str(scale.link), heard)):
        await heard.until(lambda: heard.kinds == ["found"])
        scale.say(LINE)
        await heard.until_data(LINE)
        scale.pull_out()
        await heard.until(lambda: heard.kinds[-1] == "lost")
        scale.plug_in()
        await heard.until(lambda: heard.kinds[-1] == "found")
        scale.say(LINE)
        await heard.until_data(LINE * 2)
    assert heard.kinds == ["found", "bytes", "lost", "found", "bytes"]
    assert heard.told("lost")[0].startswith(f"{scale.link} went away: is the cable in")


async def test_a_port_that_is_not_there_says_which_are(tmp_path, monkeypatch):
    there = [PortThere("/dev/ttyUSB7", "USB serial", None)]
    monkeypatch.setattr(port_names, "ports_there", lambda: there)
    heard = Heard()
    async with running(port_of(str(tmp_path / "none"), heard)):
        await heard.until(lambda: heard.kinds == ["lost"])
    (why,) = heard.told("lost")
    assert why.endswith("Ports that are: /dev/ttyUSB7 (USB serial)")
    assert "is not there: is the cable in" in why


async def test_a_second_program_is_refused_and_told_who_has_the_port_and_takes_it_when_free(scale):
    first, second = Heard(), Heard()
    async with running(port_of(str(scale.link), first)) as task:
        await first.until(lambda: first.kinds == ["found"])
        async with running(port_of(str(scale.link), second)):
            await second.until(lambda: second.kinds == ["lost"])
            assert f"(process {os.getpid()})" in second.told("lost")[0]
            assert "is in use by" in second.told("lost")[0]
            task.cancel()
            await second.until(lambda: second.kinds == ["lost", "found"])


async def test_a_program_that_took_no_lock_is_not_disturbed_and_named(scale, monkeypatch):
    monkeypatch.setattr("drivers.scale_port._PRETEND", "/nowhere")
    logger = await asyncio.create_subprocess_exec("cat", scale.name, stdout=subprocess.PIPE)
    heard = Heard()
    scale.say(LINE)
    assert logger.stdout is not None
    assert await asyncio.wait_for(logger.stdout.read(len(LINE)), 8) == LINE
    async with running(port_of(scale.name, heard)):
        await heard.until(lambda: heard.kinds == ["lost"])
        assert f"is in use by cat (process {logger.pid})" in heard.told("lost")[0]
        logger.kill()
        await logger.wait()
        await heard.until(lambda: heard.kinds == ["lost", "found"])


async def test_whoever_made_a_pretend_scale_may_hold_both_its_ends_by_whatever_name(scale):
    held = os.open(scale.name, os.O_RDWR | os.O_NOCTTY)
    maker = await asyncio.create_subprocess_exec("sleep", "60", stdin=held)
    os.close(held)
    heard = Heard()
    async with running(port_of(str(scale.link), heard)):
        await heard.until(lambda: bool(heard.kinds))
        assert heard.kinds == ["found"]
    maker.kill()
    await maker.wait()


async def test_a_device_that_comes_back_under_another_name_is_known_by_what_it_is(
    scale, tmp_path, monkeypatch
):
    other = PtyScale(tmp_path / "other")
    names = {"now": scale.name}
    adapter = (0x1234, 0x5678, "S1", "1-1")
    monkeypatch.setattr(
        port_names, "ports_there", lambda: [PortThere(names["now"], "adapter", adapter)]
    )
    heard = Heard()
    async with running(port_of(scale.name, heard)):
        await heard.until(lambda: heard.kinds == ["found"])
        names["now"] = other.name
        scale.pull_out()
        await heard.until(lambda: heard.kinds == ["found", "lost", "found"])
        other.say(LINE)
        await heard.until_data(LINE)
    assert heard.told("found") == [scale.name, other.name]


async def test_among_adapters_that_are_all_alike_the_scale_is_known_by_what_it_says(
    scale, tmp_path, monkeypatch
):
    """None has a serial number, and the scale's was put into another socket."""
    logger, back = PtyScale(tmp_path / "logger"), PtyScale(tmp_path / "back")
    sockets = {scale.name: "1-1"}
    monkeypatch.setattr(
        port_names,
        "ports_there",
        lambda: [PortThere(n, "adapter", (0x1234, 0x5678, None, s)) for n, s in sockets.items()],
    )
    decoder, heard = Decoder(load_profile("flag-comma-signed")), Heard()

    def take(at_s: float, data: bytes) -> None:
        decoder.feed(at_s, data)
        heard.bytes_came(at_s, data)

    def lost(at_s: float, why: str) -> None:
        decoder.reset(at_s)
        heard.lost(at_s, why)

    port = ScalePort(
        scale.name,
        clock=fast_clock(3),
        on_bytes=take,
        on_lost=lost,
        on_found=heard.found,
        heard=lambda: decoder.heard,
    )
    async with running(port):
        await heard.until(lambda: heard.kinds == ["found"])
        scale.say(LINE)
        await heard.until_data(LINE)
        sockets.clear()
        sockets.update({logger.name: "1-2", back.name: "1-3"})
        scale.pull_out()
        await heard.until(lambda: heard.told("found")[1:] == [logger.name])
        logger.say(b"T 21.5 C\r\n")
        await heard.until(lambda: heard.told("found")[-1] == back.name)
        back.say(LINE * 2)
        await heard.until(lambda: heard.data.endswith(LINE * 2))
        back.say(LINE)
        await heard.until(lambda: heard.data.endswith(LINE * 3))
    assert heard.told("lost")[-1].startswith(f"{logger.name} does not send what the scale did")


async def test_a_scale_that_only_answers_is_asked_and_never_twice_before_it_answered(scale):
    profile = load_profile("echo-letter-right10")
    heard = Heard()
    answer = profile.render("36.52")
    asked = 0
    port = port_of(str(scale.link), heard, fast_clock(3), trials=trials_for(profile))
    async with running(port):
        await heard.until(lambda: heard.kinds == ["found"])
        async with asyncio.timeout(8):
            while asked < 4:
                if (request := scale.asked()) != b"":
                    assert request == b"SI\r\n"
                    asked += 1
                    scale.say(answer)
                    await heard.until_data(answer * asked)
                await asyncio.sleep(0)


async def test_a_scale_that_sends_by_itself_is_not_asked(scale):
    profile = load_profile("echo-letter-right10")
    heard = Heard()
    port = port_of(str(scale.link), heard, fast_clock(3), trials=trials_for(profile))
    async with running(port):
        await heard.until(lambda: heard.kinds == ["found"])
        for n in range(1, 12):
            scale.say(LINE)
            await heard.until_data(LINE * n)
        assert scale.asked() == b""


async def test_a_reader_that_was_held_up_does_not_pass_old_bytes_as_current(scale):
    """The clock stands in for a computer that slept: the reader waits in it and wakes late."""
    gate, held, late = threading.Event(), threading.Event(), [0.0]
    gate.set()

    def clock() -> float:
        if not gate.is_set() and threading.current_thread().name == "scale port":
            held.set()
            gate.wait(8)
        return time.monotonic() + late[0]

    heard = Heard()
    async with running(port_of(str(scale.link), heard, clock)):
        await heard.until(lambda: heard.kinds == ["found"])
        scale.say(LINE)
        await heard.until_data(LINE)
        gate.clear()
        await asyncio.to_thread(held.wait, 8)
        scale.say(b"ST,GS,+  999.9 g\r\n" * 20)
        late[0] = 10.0
        gate.set()
        await heard.until(lambda: heard.kinds == ["found", "bytes", "lost", "found"])
        scale.say(LINE)
        await heard.until_data(LINE * 2)
    assert heard.told("lost")[0].startswith("the computer was held up for 10 s")


async def test_a_program_that_stands_still_gets_no_backlog_of_old_weights(scale, monkeypatch):
    """The first bytes hold up the program while a dozen more lines are read, one by one."""
    monkeypatch.setattr("drivers.port_reader._BACKLOG", 3)
    heard = Heard()

    def stand_still(at_s: float, data: bytes) -> None:
        heard.bytes_came(at_s, data)
        for _ in range(12 if len(heard.log) == 2 else 0):
            before, deadline = port.waiting, time.monotonic() + 8
            scale.say(LINE)
            while port.waiting == before and time.monotonic() < deadline:
                os.sched_yield()

    port = ScalePort(
        str(scale.link),
        clock=time.monotonic,
        on_bytes=stand_still,
        on_lost=heard.lost,
        on_found=heard.found,
    )
    async with running(port):
        await heard.until(lambda: heard.kinds == ["found"])
        scale.say(LINE)
        await heard.until(lambda: heard.kinds[:4] == ["found", "bytes", "lost", "found"])
    assert "too old" in heard.told("lost")[0]


async def test_a_fault_in_a_callback_ends_the_run_with_that_fault(scale):
    def broken(_at_s: float, _data: bytes) -> None:
        raise LookupError("a fault of the program")

    heard = Heard()
    port = ScalePort(
        str(scale.link),
        clock=time.monotonic,
        on_bytes=broken,
        on_lost=heard.lost,
        on_found=heard.found,
    )
    async with asyncio.timeout(8):
        task = asyncio.create_task(port.run())
        await heard.until(lambda: heard.kinds == ["found"])
        scale.say(LINE)
        with pytest.raises(LookupError, match="a fault of the program"):
            await task


async def test_no_thread_is_left_when_the_port_is_closed(scale):
    heard = Heard()
    async with running(port_of(str(scale.link), heard)):
        await heard.until(lambda: heard.kinds == ["found"])
        assert "scale port" in {thread.name for thread in threading.enumerate()}
    await asyncio.to_thread(
        lambda: [t.join(8) for t in threading.enumerate() if t.name == "scale port"]
    )
    assert "scale port" not in {thread.name for thread in threading.enumerate()}


async def test_a_line_that_knows_no_parity_stays_in_use_through_a_trial_with_one(scale):
    """A pseudo-terminal refuses it, and the serial library goes on asking for what was refused."""
    heard = Heard()
    trials = [Trial(LineSettings()), Trial(LineSettings(9600, 7, "E", 1))]
    port = ScalePort(
        str(scale.link),
        clock=fast_clock(3),
        on_bytes=heard.bytes_came,
        on_lost=heard.lost,
        on_found=heard.found,
        trials=trials,
        heard=heard.makes_no_sense,
    )
    async with running(port):
        await heard.until(lambda: heard.kinds == ["found"])
        scale.say(b"\x93\xf1\x07" * 20)
        await heard.until(lambda: listens_at(port, "9600 7E1"))
        for n in range(1, 4):  # each is read in a turn of its own, the change before the second
            scale.say(LINE)
            await heard.until(partial(lambda count: heard.data.count(LINE) == count, n))
    assert heard.kinds == ["found", "bytes"]


async def test_a_speed_that_a_converter_refuses_leaves_it_in_use(monkeypatch):
    line = load_profile("flag-comma-zeropad").render("36.52")
    server = Rfc2217Scale(lambda device: line)
    speed = type(server.device).baudrate

    def only_usual(device, value):
        if value != 9600:
            raise ValueError("no such speed")
        speed.fset(device, value)

    monkeypatch.setattr(type(server.device), "baudrate", property(speed.fget, only_usual))
    heard = Heard()
    port = ScalePort(
        f"{server.url}?timeout=0.3",
        clock=time.monotonic,
        on_bytes=heard.bytes_came,
        on_lost=heard.lost,
        on_found=heard.found,
        trials=[Trial(LineSettings()), Trial(LineSettings(2400))],
        heard=heard.makes_no_sense,
    )
    async with running(port):
        await heard.until(lambda: listens_at(port, "2400 8N1"))
        before = heard.data.count(line)
        await heard.until(lambda: heard.data.count(line) >= before + 40)
    server.close()
    assert heard.kinds == ["found", "bytes"]


async def test_an_error_of_the_serial_library_loses_the_port_and_finds_it_again(scale, monkeypatch):
    faults = [ValueError("filedescriptor cannot be a negative integer (-1)")]
    whole = scale_port._whole

    def failing(device, wait_s):
        if faults:
            raise faults.pop()
        return whole(device, wait_s)

    monkeypatch.setattr(scale_port, "_whole", failing)
    heard = Heard()
    async with running(port_of(str(scale.link), heard)):
        await heard.until(lambda: heard.kinds == ["found", "lost", "found"])
        scale.say(LINE)
        await heard.until_data(LINE)
    assert "negative integer" in heard.told("lost")[0]


async def test_a_fault_in_the_reader_ends_the_run_with_that_fault(scale, monkeypatch):
    def broken(_device, _wait_s):
        raise LookupError("a fault of the reader")

    monkeypatch.setattr(scale_port, "_whole", broken)
    async with asyncio.timeout(8):
        with pytest.raises(LookupError, match="a fault of the reader"):
            await port_of(str(scale.link), Heard()).run()


async def test_a_url_of_an_unknown_kind_is_refused_at_once():
    with pytest.raises(ValueError, match="nonsense"):
        port_of("nonsense://x", Heard())


async def test_a_network_converter_is_read_lost_and_found_again():
    converter = TcpScale()
    heard = Heard()
    async with running(port_of(converter.url, heard)):
        await converter.accept()
        await heard.until(lambda: heard.kinds == ["found"])
        converter.say(LINE)
        await heard.until_data(LINE)
        converter.hang_up()
        await heard.until(lambda: heard.kinds[-1] == "lost")
        await converter.accept()
        await heard.until(lambda: heard.kinds[-1] == "found")
        converter.say(LINE)
        await heard.until_data(LINE * 2)
        converter.hang_up()
    converter.close()
    assert heard.told("lost")[0].startswith(f"the connection to {converter.url} broke")


async def test_nobody_at_a_network_address_is_said_plainly():
    converter = TcpScale()
    converter.close()
    heard = Heard()
    async with running(port_of(converter.url, heard)):
        await heard.until(lambda: heard.kinds == ["lost"])
    assert heard.told("lost") == [
        f"nothing answers at {converter.url}: Connection refused; "
        "is the converter on, the address right?"
    ]


async def test_an_rfc_2217_server_gets_the_settings_and_its_bytes_are_read():
    """The server is the one that the serial library ships, on the loopback."""
    line = load_profile("flag-comma-zeropad").render("36.52")
    server = Rfc2217Scale(lambda device: line)
    heard = Heard()
    port = port_of(server.url, heard, trials=[Trial(LineSettings(2400, 7, "E", 1))])
    async with running(port):
        await heard.until(lambda: heard.data.count(line) >= 3)
        assert (server.device.baudrate, server.device.bytesize, server.device.parity) == (
            2400,
            7,
            "E",
        )
        server.close()
        await heard.until(lambda: heard.kinds[-1] == "lost")


def listens_at(port: ScalePort, settings: str) -> bool:
    return str(port.settings) == settings


async def test_an_unknown_scale_is_understood_after_some_trying_and_again_when_its_speed_changes():
    """Read at other settings than the scale's it is noise, as it would be on a wire."""
    line = load_profile("flag-comma-zeropad").render("36.52")
    speaks = [(9600, 7, "E")]

    def speak(device) -> bytes:
        right = (device.baudrate, device.bytesize, device.parity) == speaks[0]
        return line if right else bytes((code * 37 + 0x93) & 0xFF for code in line)

    server = Rfc2217Scale(speak)
    heard = Heard()
    recogniser = Recogniser()
    readings: list[Reading] = []

    def take(at_s: float, data: bytes) -> None:
        items = recogniser.feed(at_s, data)
        readings.extend(item for item in items if isinstance(item, Reading))
        heard.bytes_came(at_s, data)

    port = ScalePort(
        server.url,
        clock=fast_clock(5),
        on_bytes=take,
        on_lost=heard.lost,
        on_found=heard.found,
        trials=trials_for_any(known_profiles()),
        heard=lambda: recogniser.heard,
    )
    async with running(port):
        for settings in ("9600 7E1", "2400 7E1"):
            speaks[0] = (int(settings[:4]), 7, "E")
            await heard.until(partial(listens_at, port, settings))
            readings.clear()
            await heard.until(lambda: any(reading.trusted for reading in readings))
            assert recogniser.profile_name == "flag-comma-zeropad"
            assert {reading.text for reading in readings} == {"36.52"}
        server.close()


async def test_parity_that_a_plain_converter_passes_on_is_taken_off():
    """A 7E1 scale behind a converter set to 8 bits: bit 7 is the parity of the rest."""
    converter = TcpScale()
    profile = load_profile("flag-comma-signed")
    decoder = Decoder(profile)
    even = bytes(code | (code.bit_count() & 1) << 7 for code in LINE)
    heard = Heard()
    readings: list[object] = []

    def take(at_s: float, data: bytes) -> None:
        readings.extend(decoder.feed(at_s, data))
        heard.bytes_came(at_s, data)

    port = ScalePort(
        converter.url,
        clock=time.monotonic,
        on_bytes=take,
        on_lost=heard.lost,
        on_found=heard.found,
        trials=[Trial(LineSettings()), Trial(LineSettings(9600, 7, "E", 1))],
        heard=lambda: decoder.heard,
    )
    async with running(port):
        await converter.accept()
        await heard.until(lambda: heard.kinds == ["found"])
        for _ in range(3):
            converter.say(even)
        await heard.until(lambda: str(port.settings) == "9600 7E1")
        converter.say(even * 3)
        await heard.until(lambda: any(isinstance(r, Reading) and r.trusted for r in readings))
        converter.hang_up()
    converter.close()
    assert {item.text for item in readings if isinstance(item, Reading)} == {"36.5"}
