"""The gate against real brokers: what a phone may do, and everybody who tries what it may not."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed
from websockets.typing import Subprotocol

from daemon import gate as gate_module
from daemon.broker_access import HOST, Role
from daemon.mqtt_packets import (
    V5,
    V311,
    Kind,
    MalformedError,
    Packet,
    Splitter,
    connack_code,
    connect_bytes,
    parse_connect,
    parse_filters,
    parse_publish,
)
from daemon.page_doors import MOST_FRAMES_A_SECOND, MOST_UNKNOWN
from daemon.pairing import PhoneRole
from daemon.pairing_store import Paired
from tests.browser.floor import POUR_A, Floor, moment, until

DO, STATUS = "benchpour/bench/do", "benchpour/bench/status"


# --- packets by hand ----------------------------------------------------------------------------


def text(value: str) -> bytes:
    data = value.encode()
    return len(data).to_bytes(2, "big") + data


def packet(first: int, body: bytes) -> bytes:
    assert len(body) < 16384
    low, high = len(body) % 128, len(body) // 128
    return bytes([first, low | 0x80, high] if high else [first, low]) + body


def publish(topic: str, payload: bytes, flags: int = 0, level: int = V311) -> bytes:
    number = b"\0\7" if flags & 6 else b""
    properties = b"\0" if level == V5 else b""
    return packet(0x30 | flags, text(topic) + number + properties + payload)


def subscribe(*filters: str, level: int = V311) -> bytes:
    properties = b"\0" if level == V5 else b""
    return packet(0x82, b"\0\1" + properties + b"".join(text(one) + b"\1" for one in filters))


def connect_with_will(client_id: str, user: str, password: str) -> bytes:
    """A CONNECT with a retained last will on the bench's status."""
    body = text("MQTT") + bytes([4, 0b1110_1110]) + b"\0\x0a" + text(client_id)
    return packet(0x10, body + text(STATUS) + text("stolen") + text(user) + text(password))


PING = b"\xc0\0"


# --- the little of MQTT -------------------------------------------------------------------------


def whole(data: bytes, limit: int = 65536) -> list[Packet]:
    return list(Splitter(limit).feed(data))


@given(st.lists(st.binary(max_size=300), min_size=1, max_size=6), st.data())
def test_packets_come_out_whole_however_they_were_chopped(
    bodies: list[bytes], data: st.DataObject
) -> None:
    stream = b"".join(publish("a/b", body) for body in bodies)
    cuts = data.draw(st.lists(st.integers(0, len(stream)), max_size=20).map(sorted))
    splitter, found = Splitter(65536), []
    for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        found += splitter.feed(stream[start:end])
    assert b"".join(one.raw for one in found) == stream
    assert [one.body for one in found] == [text("a/b") + body for body in bodies]


@given(st.binary(max_size=200))
def test_any_bytes_are_packets_or_malformed_and_nothing_else(data: bytes) -> None:
    try:
        for one in whole(data, 100):
            for read in (parse_connect, parse_publish, lambda p: parse_filters(p, V5)):
                with contextlib.suppress(MalformedError):
                    read(one)
    except MalformedError:
        pass
    assert len(data) <= 200


@pytest.mark.parametrize(("length", "written"), [(127, 1), (128, 2), (16383, 2)])
def test_lengths_are_read_as_the_standard_writes_them(length: int, written: int) -> None:
    """MQTT 5.0, table 1-1: 127 takes one byte, 128 and 16 383 take two."""
    body = text("t") + bytes(length - 3)
    raw = packet(0x30, body)
    assert len(raw) == 1 + written + length
    assert [one.raw for one in whole(raw)] == [raw]


def test_a_connect_is_read_and_written_in_both_versions() -> None:
    for level in (V311, V5):
        raw = connect_bytes(level, "phone1", 30, "Ada's", "secret")
        (only,) = whole(raw)
        found = parse_connect(only)
        assert (found.level, found.keepalive_s) == (level, 30)
        assert (found.user, found.password) == ("Ada's", "secret")
        assert "secret" not in repr(found)
    # MQTT 3.1.1, figure 3.6, without will: flags 1100 0010, keepalive 10, then the payload
    assert connect_bytes(V311, "x", 10, "u", "p") == (
        bytes([0x10, 19]) + b"\0\4MQTT\4" + bytes([0b1100_0010]) + b"\0\x0a\0\1x\0\1u\0\1p"
    )


def test_a_will_is_passed_over() -> None:
    (only,) = whole(connect_with_will("c", "u", "p"))
    assert (parse_connect(only).user, parse_connect(only).password) == ("u", "p")


@pytest.mark.parametrize(
    "raw",
    [
        b"\x00\x00",  # packet type 0 is forbidden
        b"\x30\xff\xff\xff\xff\x01",  # a length of five bytes
        b"\x36\x05\0\1t\0\1",  # quality of service 3
        b"\x80\x06\0\1\0\1t\1",  # SUBSCRIBE without its flags
        b"\xc1\x00",  # PINGREQ with a flag
        b"\x30\xff\xff\x7f",  # two megabytes announced
    ],
)
def test_what_can_become_no_packet_is_malformed(raw: bytes) -> None:
    with pytest.raises(MalformedError):
        whole(raw)


@pytest.mark.parametrize(
    "body",
    [
        text("MQTX") + b"\4\2\0\x0a" + text("c"),
        text("MQTT") + b"\4\3\0\x0a" + text("c"),  # the reserved flag
        text("MQTT") + b"\4\x42\0\x0a" + text("c") + text("p"),  # a password, no user
        text("MQTT") + b"\4\x1e\0\x0a" + text("c") + text("t") + text("w"),  # will QoS 3
        text("MQTT") + b"\4\x82\0\x0a" + text("c"),  # no user where one is announced
        text("MQTT") + b"\4\x82\0\x0a" + text("c") + b"\0\2\xc3\x28",  # no UTF-8
        text("MQTT") + b"\4\x82\0\x0a" + text("c") + b"\0\1\0",  # U+0000
        text("MQTT") + b"\4\2\0\x0a" + text("c") + b"more",
        text("MQTT") + b"\5\2\0\x0a\xff\xff\xff\xff\x01" + text("c"),
        b"",
    ],
)
def test_a_connect_that_is_none_is_malformed(body: bytes) -> None:
    (only,) = whole(packet(0x10, body))
    with pytest.raises(MalformedError):
        parse_connect(only)


# --- a phone by hand ----------------------------------------------------------------------------


class RawPhone:
    """A WebSocket to the gate on which a test says what it likes."""

    def __init__(self, socket: ClientConnection) -> None:
        self.socket = socket
        self.packets: list[Packet] = []
        self._splitter = Splitter(1 << 20)

    async def say(self, data: bytes) -> None:
        with contextlib.suppress(ConnectionClosed):
            await self.socket.send(data)

    async def hear(self, kind: Kind) -> Packet:
        """The next packet of that kind; what came before it is kept."""
        async with asyncio.timeout(10):
            while True:
                for index, one in enumerate(self.packets):
                    if one.kind is kind:
                        return self.packets.pop(index)
                data = await self.socket.recv()
                assert isinstance(data, bytes)
                self.packets += self._splitter.feed(data)

    async def message(self, topic: str) -> bytes:
        """The payload of the next message on a topic."""
        while True:
            one = await self.hear(Kind.PUBLISH)
            if parse_publish(one).topic == topic:
                start = 2 + len(topic) + (2 if one.flags & 6 else 0)
                return one.body[start:]

    async def ended(self) -> int:
        """Read on until the gate ends it; returns the close code."""
        async with asyncio.timeout(10):
            with contextlib.suppress(ConnectionClosed):
                while True:
                    data = await self.socket.recv()
                    assert isinstance(data, bytes)
                    self.packets += self._splitter.feed(data)
        assert self.socket.close_code is not None
        return self.socket.close_code


@contextlib.asynccontextmanager
async def line(floor: Floor, **more: Any) -> AsyncIterator[RawPhone]:
    socket = await connect(
        floor.origin.replace("http", "ws") + "mqtt",
        subprotocols=[Subprotocol("mqtt")],
        compression=None,
        ping_interval=None,
        close_timeout=0.2,
        **more,
    )
    try:
        yield RawPhone(socket)
    finally:
        socket.transport.abort()


@contextlib.asynccontextmanager
async def let_in(floor: Floor, who: Paired, level: int = V311) -> AsyncIterator[RawPhone]:
    async with line(floor) as phone:
        await phone.say(connect_bytes(level, "whatever", 30, who.name, who.token))
        assert connack_code(await phone.hear(Kind.CONNACK)) == 0
        yield phone


async def pair(floor: Floor, role: PhoneRole, name: str) -> Paired:
    return await floor.pairing.pair((await floor.pairing.open_code(role)).text, name)


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that a broker under an account of its own can get at."""
    made = Path(tempfile.mkdtemp(prefix="benchpour-test-"))
    yield made
    shutil.rmtree(made)


@pytest.fixture(params=["mosquitto", "embedded"])
async def floor(request: pytest.FixtureRequest, folder: Path) -> AsyncIterator[Floor]:
    async with Floor(folder, request.param).open() as made:
        yield made


@pytest.fixture
async def one_floor(folder: Path) -> AsyncIterator[Floor]:
    """Where the broker does not matter."""
    async with Floor(folder).open() as made:
        yield made


@pytest.fixture
async def control(floor: Floor) -> Paired:
    return await pair(floor, PhoneRole.CONTROL, "control")


@pytest.fixture
async def watch(floor: Floor) -> Paired:
    return await pair(floor, PhoneRole.WATCH, "watch")


async def status_is_online(floor: Floor) -> bool:
    """What somebody who comes now finds retained."""
    async with aiomqtt.Client(HOST, floor.broker_port) as reader:
        await reader.subscribe(STATUS, qos=1)
        async for message in reader.messages:
            return b'"online"' in bytes(message.payload)
    return False


# --- who is let in ------------------------------------------------------------------------------


async def test_a_paired_phone_finds_the_state_and_hears_what_is_new(
    floor: Floor, watch: Paired
) -> None:
    floor.show(POUR_A)
    async with let_in(floor, watch) as phone:
        await phone.say(subscribe("benchpour/+/status", "benchpour/+/dispense"))
        assert b'"online"' in await phone.message(STATUS)
        while b'"pour"' not in await phone.message("benchpour/bench/dispense"):
            pass
        assert floor.page.phones == ("watch",)
    await until(lambda: floor.page.phones == ())


async def test_a_command_goes_through_and_its_answer_comes_back(
    floor: Floor, control: Paired
) -> None:
    async with let_in(floor, control) as phone:
        await phone.say(subscribe("benchpour/bench/done"))
        await phone.hear(Kind.SUBACK)
        await phone.say(publish(DO, b'{"id": 5, "do": "next"}', 0b0010))
        assert json.loads(await phone.message("benchpour/bench/done"))["id"] == 5
    assert floor.commands == [{"id": 5, "do": "next"}]


async def test_mqtt_5_goes_through_where_the_broker_speaks_it(one_floor: Floor) -> None:
    who = await pair(one_floor, PhoneRole.CONTROL, "five")
    async with let_in(one_floor, who, V5) as phone:
        await phone.say(subscribe("benchpour/bench/done", level=V5))
        await phone.hear(Kind.SUBACK)
        await phone.say(publish(DO, b'{"id": 6, "do": "next"}', level=V5))
        await until(lambda: one_floor.commands)
    assert one_floor.commands == [{"id": 6, "do": "next"}]


async def test_a_connect_in_frames_of_one_byte_is_understood(floor: Floor, watch: Paired) -> None:
    async with line(floor) as phone:
        for byte in connect_bytes(V311, "c", 30, watch.name, watch.token) + PING:
            await phone.say(bytes([byte]))
        assert connack_code(await phone.hear(Kind.CONNACK)) == 0
        await phone.hear(Kind.PINGRESP)


@pytest.mark.parametrize(("level", "code"), [(V311, 5), (V5, 0x87)])
@pytest.mark.parametrize("how", ["none", "unknown", "wrong token", "digest", "other's token"])
async def test_nobody_comes_in_without_a_name_and_its_token(
    one_floor: Floor, level: int, code: int, how: str
) -> None:
    who = await pair(one_floor, PhoneRole.CONTROL, "control")
    other = await pair(one_floor, PhoneRole.WATCH, "other")
    shown = {
        "none": (None, None),
        "unknown": ("nobody", who.token),
        "wrong token": (who.name, "x" * 43),
        "digest": (who.name, one_floor.pairing.book.phones[0].digest),
        "other's token": (who.name, other.token),
    }[how]
    async with line(one_floor) as phone:
        await phone.say(connect_bytes(level, "c", 30, *shown) + publish(DO, b"{}", level=level))
        assert await phone.ended() == gate_module.NOT_ALLOWED
        assert [(p.kind, connack_code(p)) for p in phone.packets] == [(Kind.CONNACK, code)]
    assert one_floor.commands == []


async def test_an_older_version_is_refused_in_words_it_knows(one_floor: Floor) -> None:
    async with line(one_floor) as phone:
        await phone.say(packet(0x10, text("MQIsdp") + b"\3\2\0\x0a" + text("c")))
        assert await phone.ended() == gate_module.NOT_ALLOWED
        assert connack_code(phone.packets[0]) == 1


# --- who is thrown out --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "said",
    [
        publish(DO, b'{"id": 1, "do": "tare"}'),
        publish(DO, b'{"id": 1, "do": "tare"}', 0b0010),
        publish(DO, b'{"id": 1, "do": "tare"}', 0b0100),
        publish(STATUS, b"{}"),
        subscribe("#"),
        subscribe("benchpour/bench/status", "$SYS/#"),
        subscribe("$share/all/benchpour/#"),
    ],
)
async def test_watch_may_publish_nothing_and_subscribe_to_the_benches_alone(
    floor: Floor, watch: Paired, said: bytes
) -> None:
    async with let_in(floor, watch) as phone:
        await phone.say(said)
        assert await phone.ended() == gate_module.NOT_ALLOWED
    assert floor.commands == []
    assert await status_is_online(floor)


@pytest.mark.parametrize(
    "said",
    [
        publish(STATUS, b'{"state":"offline"}', 1),
        publish("benchpour/bench/dispense", b"{}", 1),
        publish("benchpour/bench/event", b"{}"),
        publish("benchpour/bench/done", b"{}"),
        publish("benchpour/bench/do/more", b"{}"),
        publish("other/bench/do", b"{}"),
        publish(DO, b'{"id": 1, "do": "tare"}', 1),
        publish("", b"{}"),
    ],
)
async def test_control_may_publish_commands_alone_and_none_that_stays_behind(
    floor: Floor, control: Paired, said: bytes
) -> None:
    async with let_in(floor, control) as phone:
        await phone.say(said)
        assert await phone.ended() == gate_module.NOT_ALLOWED
    assert floor.commands == []
    assert await status_is_online(floor)


@pytest.mark.parametrize(
    ("said", "code"),
    [
        (b"\x00\x00", gate_module.BAD_DATA),
        (b"\x10\x00", gate_module.BAD_DATA),
        (connect_bytes(V311, "c", 30, "a", "b"), gate_module.BAD_DATA),  # a second CONNECT
        (b"\x20\x02\0\0", gate_module.BAD_DATA),  # what only a broker says
        (b"\x36\x05\0\1t\0\1", gate_module.BAD_DATA),
        (packet(0x30, text("a/+/b")), gate_module.BAD_DATA),
        (packet(0x30, b"\0\x20short"), gate_module.BAD_DATA),
        (packet(0x82, b"\0\1"), gate_module.BAD_DATA),  # SUBSCRIBE to nothing
        (b"\x30\x80\x80\x08", gate_module.BAD_DATA),  # 128 kB announced, none sent
        (b"\xff" * 300, gate_module.BAD_DATA),
        (b"GET / HTTP/1.1\r\n\r\n", gate_module.BAD_DATA),
        (PING * 6000, gate_module.NOT_ALLOWED),
    ],
)
@pytest.mark.parametrize("chopped", [False, True])
async def test_what_is_no_good_mqtt_ends_the_connection(
    one_floor: Floor, said: bytes, code: int, chopped: bool
) -> None:
    who = await pair(one_floor, PhoneRole.CONTROL, "control")
    async with let_in(one_floor, who) as phone, let_in(one_floor, who) as other:
        for at in range(0, len(said), 7 if chopped else len(said)):
            await phone.say(said[at : at + (7 if chopped else len(said))])
        assert await phone.ended() == code
        await other.say(PING)
        await other.hear(Kind.PINGRESP)


async def test_text_frames_and_frames_too_large_end_the_connection(one_floor: Floor) -> None:
    who = await pair(one_floor, PhoneRole.CONTROL, "control")
    async with let_in(one_floor, who) as phone:
        await phone.socket.send("text")
        assert await phone.ended() == gate_module.BAD_DATA
    async with let_in(one_floor, who) as phone:
        await phone.say(bytes(gate_module.MAX_PACKET + 1))
        assert await phone.ended() == 1009


async def test_a_packet_too_large_is_refused_before_it_is_there(one_floor: Floor) -> None:
    who = await pair(one_floor, PhoneRole.CONTROL, "control")
    head = bytes([0x30, 0x80 | (70_000 & 127), 0x80 | (70_000 >> 7 & 127), 70_000 >> 14])
    async with let_in(one_floor, who) as phone:
        await phone.say(head)
        assert await phone.ended() == gate_module.BAD_DATA


async def test_a_will_is_left_at_the_gate(floor: Floor, control: Paired) -> None:
    async with line(floor) as phone:
        await phone.say(connect_with_will("c", control.name, control.token))
        assert connack_code(await phone.hear(Kind.CONNACK)) == 0
    await until(lambda: floor.page.phones == ())
    assert await status_is_online(floor)


async def test_nobody_takes_over_anothers_client_id(floor: Floor, watch: Paired) -> None:
    thief = await pair(floor, PhoneRole.CONTROL, "thief")
    async with let_in(floor, watch) as victim:
        await victim.say(subscribe("benchpour/+/dispense"))
        await victim.hear(Kind.SUBACK)
        for who in (thief, watch):
            for client_id in ("whatever", "page", floor.link("bench")._name):
                async with line(floor) as phone:
                    await phone.say(connect_bytes(V311, client_id, 30, who.name, who.token))
                    assert connack_code(await phone.hear(Kind.CONNACK)) == 0
        floor.show(POUR_A)
        while b'"pour"' not in await victim.message("benchpour/bench/dispense"):
            pass


async def test_what_is_not_of_the_benches_does_not_reach_a_phone(
    floor: Floor, watch: Paired
) -> None:
    """The embedded broker gives retained messages to whoever is connected."""
    daemon = floor.accounts[Role.DAEMON]
    async with let_in(floor, watch) as phone:
        await phone.say(subscribe("benchpour/#"))
        await phone.hear(Kind.SUBACK)
        async with aiomqtt.Client(
            HOST, floor.broker_port, username=daemon.user, password=daemon.password
        ) as other:
            await other.publish("private/alarm", "4711", qos=1, retain=True)
            await other.subscribe("private/#")
            # The embedded broker's leak shows here: this one never asked for the benches.
            async for message in other.messages:
                if message.payload == b"4711":
                    break
        floor.show(POUR_A)
        while b'"pour"' not in await phone.message("benchpour/bench/dispense"):
            pass
        assert not any(b"4711" in one.raw for one in phone.packets)


async def test_a_forgotten_phone_is_cut_off_at_once_and_comes_in_no_more(
    floor: Floor, control: Paired, watch: Paired
) -> None:
    async with let_in(floor, control) as phone, let_in(floor, watch) as other:
        await floor.pairing.forget("control")
        assert await phone.ended() == gate_module.NOT_ALLOWED
        await other.say(PING)
        await other.hear(Kind.PINGRESP)
        assert floor.page.phones == ("watch",)
    async with line(floor) as phone:
        await phone.say(connect_bytes(V311, "c", 30, control.name, control.token))
        assert connack_code(await phone.hear(Kind.CONNACK)) == 5


# --- deadlines and limits -----------------------------------------------------------------------


async def test_who_says_nothing_is_let_go_after_the_deadline(
    one_floor: Floor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate_module, "CONNECT_S", 0.1)
    async with line(one_floor) as silent, line(one_floor) as half:
        await half.say(b"\x10\x7f\0\4MQ")
        assert await silent.ended() == gate_module.NOT_ALLOWED
        assert await half.ended() == gate_module.NOT_ALLOWED


async def test_a_phone_that_keeps_still_longer_than_it_said_is_let_go(one_floor: Floor) -> None:
    """MQTT 3.1.1, 3.1.2.10: after one and a half times the keepalive."""
    who = await pair(one_floor, PhoneRole.WATCH, "w")
    loop = asyncio.get_running_loop()
    async with line(one_floor) as phone:
        await phone.say(connect_bytes(V311, "c", 1, who.name, who.token))
        began_s = loop.time()
        assert await phone.ended() == gate_module.NOT_ALLOWED
        assert 1.4 < loop.time() - began_s < 5.0


async def test_a_phone_without_a_keepalive_gets_one(one_floor: Floor) -> None:
    who = await pair(one_floor, PhoneRole.WATCH, "w")
    async with line(one_floor) as phone:
        await phone.say(connect_bytes(V311, "c", 0, who.name, who.token))
        await phone.hear(Kind.CONNACK)
        (session,) = one_floor.page._gate._sessions
        assert session.keepalive_s == gate_module.LONGEST_KEEPALIVE_S


async def test_a_phone_that_takes_nothing_is_let_go_and_holds_up_nobody(
    floor: Floor, watch: Paired, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate_module, "SEND_S", 0.3)
    slow = await pair(floor, PhoneRole.WATCH, "slow")
    daemon = floor.accounts[Role.DAEMON]
    big = bytes(60_000)
    async with line(floor, max_queue=1) as stuck, let_in(floor, watch) as phone:
        await stuck.say(connect_bytes(V311, "c", 60, slow.name, slow.token))
        await stuck.hear(Kind.CONNACK)
        for one in (stuck, phone):
            await one.say(subscribe("benchpour/x/event"))
            await one.hear(Kind.SUBACK)
        stuck.socket.transport.pause_reading()
        async with aiomqtt.Client(
            HOST, floor.broker_port, username=daemon.user, password=daemon.password
        ) as bench:
            sent = 0
            while "slow" in floor.page.phones:
                await bench.publish("benchpour/x/event", big)
                await phone.message("benchpour/x/event")
                sent += 1
                assert sent < 2000
        assert floor.page.phones == ("watch",)


async def test_a_phones_oldest_connection_gives_way_and_others_stay(one_floor: Floor) -> None:
    who = await pair(one_floor, PhoneRole.WATCH, "tabs")
    other = await pair(one_floor, PhoneRole.WATCH, "other")
    async with contextlib.AsyncExitStack() as stack:
        still = await stack.enter_async_context(let_in(one_floor, other))
        tabs = [
            await stack.enter_async_context(let_in(one_floor, who))
            for _ in range(gate_module.MOST_OF_ONE_PHONE + 1)
        ]
        assert await tabs[0].ended() == gate_module.NOT_ALLOWED
        for one in (still, *tabs[1:]):
            await one.say(PING)
            await one.hear(Kind.PINGRESP)


async def test_two_hundred_that_say_nothing_keep_nobody_out(floor: Floor, watch: Paired) -> None:
    async with let_in(floor, watch) as before, contextlib.AsyncExitStack() as stack:
        silent = []
        for number in range(200):
            local = (f"127.0.0.{2 + number % 50}", 0)
            _, writer = await asyncio.open_connection(HOST, floor.page.port, local_addr=local)
            stack.callback(writer.transport.abort)
            silent.append(writer)
        await until(lambda: len(floor.page._doors.all) <= MOST_UNKNOWN + 1)
        async with let_in(floor, watch) as phone:
            for one in (before, phone):
                await one.say(PING)
                await one.hear(Kind.PINGRESP)
        async with asyncio.timeout(5):
            reader, writer = await asyncio.open_connection(HOST, floor.page.port)
            writer.write(b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert (await reader.readline()).startswith(b"HTTP/1.1 200")
            writer.transport.abort()


# --- the broker goes and comes ------------------------------------------------------------------


async def test_without_a_broker_a_phone_is_told_to_try_later(folder: Path) -> None:
    floor = Floor(folder)
    async with floor.open():
        who = await pair(floor, PhoneRole.WATCH, "w")
        endpoint, floor.endpoint = floor.endpoint, None
        async with line(floor) as phone:
            await phone.say(connect_bytes(V311, "c", 30, who.name, who.token))
            assert await phone.ended() == gate_module.TRY_LATER
            assert phone.packets == []
        floor.endpoint = endpoint
        async with let_in(floor, who) as phone:
            floor.kill_broker()
            assert await phone.ended() == gate_module.TRY_LATER


async def test_a_broker_that_refuses_the_account_does_not_look_like_a_phone_unpaired(
    floor: Floor, watch: Paired
) -> None:
    assert floor.endpoint is not None
    wrong = {Role.DAEMON: type(floor.accounts[Role.DAEMON])("daemon", "wrong")}
    floor.endpoint = type(floor.endpoint)(HOST, floor.broker_port, wrong)
    async with line(floor) as phone:
        await phone.say(connect_bytes(V311, "c", 30, watch.name, watch.token))
        assert await phone.ended() == gate_module.TRY_LATER
        assert phone.packets == []


async def test_a_given_broker_has_one_account_and_the_gate_still_minds_the_topics(
    floor: Floor, watch: Paired
) -> None:
    assert floor.endpoint is not None
    one = {Role.DAEMON: floor.accounts[Role.DAEMON]}
    floor.endpoint = type(floor.endpoint)(HOST, floor.broker_port, one)
    async with let_in(floor, watch) as phone:
        await phone.say(subscribe("benchpour/+/status"))
        assert b'"online"' in await phone.message(STATUS)
        await phone.say(publish(DO, b'{"id": 1, "do": "tare"}'))
        assert await phone.ended() == gate_module.NOT_ALLOWED
    assert floor.commands == []


# --- too much -----------------------------------------------------------------------------------


async def test_a_phone_may_not_subscribe_without_end(one_floor: Floor) -> None:
    """The broker keeps each filter and looks through all of them for every message."""
    who = await pair(one_floor, PhoneRole.WATCH, "watch")
    many = [f"benchpour/{number}/status" for number in range(gate_module.MOST_FILTERS)]
    async with let_in(one_floor, who) as phone:
        await phone.say(subscribe(*many))
        await phone.hear(Kind.SUBACK)
        await phone.say(subscribe(*many))
        await phone.hear(Kind.SUBACK)
        await phone.say(packet(0xA2, b"\0\2" + text(many[0])))
        await phone.hear(Kind.UNSUBACK)
        await phone.say(subscribe("benchpour/#"))
        await phone.hear(Kind.SUBACK)
        await phone.say(subscribe("benchpour/one-more/#"))
        assert await phone.ended() == gate_module.NOT_ALLOWED


@pytest.mark.parametrize(
    ("said", "times"),
    [
        (publish(DO, b'{"id": 1, "do": "tare"}'), 110),
        (subscribe("benchpour/#"), 45),
        (publish(DO, b"x" * 15_000), 40),
        (PING, 2100),
    ],
)
async def test_a_phone_may_not_keep_the_bench_busy(
    one_floor: Floor, said: bytes, times: int
) -> None:
    """More than any page sends in two seconds; the other phone notices nothing."""
    who = await pair(one_floor, PhoneRole.CONTROL, "control")
    async with let_in(one_floor, who) as phone, let_in(one_floor, who) as other:
        await phone.say(said * (times if said == PING else 1))
        for _ in range(0 if said == PING else times - 1):
            await phone.say(said)
            await moment(0.002)
        assert await phone.ended() == gate_module.NOT_ALLOWED
        await other.say(PING)
        await other.hear(Kind.PINGRESP)


async def test_a_phone_may_not_send_frames_without_end(one_floor: Floor) -> None:
    who = await pair(one_floor, PhoneRole.WATCH, "watch")
    async with let_in(one_floor, who) as phone:
        for _ in range(2 * MOST_FRAMES_A_SECOND + 2):
            await phone.say(b"")
        async with asyncio.timeout(10):
            await phone.socket.wait_closed()
        assert phone.socket.close_code == 1006
    await until(lambda: one_floor.page.phones == ())
