"""The line to a broker, against two real ones: what arrives, in which order, and what survives.

Every test talks to a real mosquitto or to the real embedded broker on the loopback, through a
cable that a test can cut.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import os
import random
import shutil
import signal
import socket
import tempfile
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from daemon.broker import BrokerLink
from daemon.broker_access import HOST, Account, Accounts, Endpoint, Role, new_accounts
from daemon.broker_child import ChildBroker, child_broker, find_mosquitto
from daemon.broker_client import new_client, try_broker
from daemon.broker_embedded import embedded_broker
from daemon.commands import CommandError, parse_do
from daemon.messages import Done
from daemon.store import JournalError
from daemon.view import BenchView, Step, TimerView, Zone

BASE = "benchpour/bench/"
NOON_S = 1_793_620_800.0
LONG_S = 10.0

IDLE = BenchView(at_s=1.0, wall_offset_s=NOON_S)
POURING = replace(
    IDLE,
    at_s=2.0,
    batch=1,
    step=Step.POUR,
    part="A",
    zone=Zone.DUMP,
    target_g=69.5,
    weight_g=12.34,
    flow_g_per_s=4.0,
    timers=(TimerView("pot-life-1", 1, "pot-life", 2.0, None, 182.0, "running"),),
)


def spare_port() -> int:
    """A port that neither others who test here at the same time nor outgoing lines go for."""
    while True:
        port = random.randint(20_000, 32_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind((HOST, port))
            return port


async def until(true: Callable[[], object]) -> None:
    """Wait for a condition, for so long at most that a healthy machine never gets there."""
    deadline_s = time.monotonic() + LONG_S
    while not true():
        assert time.monotonic() < deadline_s, "waited in vain"
        await asyncio.sleep(0.005)


@dataclass
class Row:
    """An event of the journal."""

    seq: int
    at: str = "2026-11-02T12:00:00.000Z"
    kind: str = "batch.opened"
    batch: int | None = 1
    data: dict[str, Any] = field(default_factory=dict)


class Journal:
    """A journal that remembers what the link was given and what it said the broker has."""

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.acked: list[int] = []

    def append(self, count: int) -> int:
        self.rows += [Row(len(self.rows) + 1 + i) for i in range(count)]
        return len(self.rows)

    def after(self, seq: int, limit: int) -> list[Row]:
        return self.rows[seq : seq + limit]


class Cable:
    """A TCP relay between the link and the broker; cut, it drops what it carries."""

    def __init__(self, port: int) -> None:
        self._to = port
        self.port = spare_port()
        self._writers: list[asyncio.StreamWriter] = []

    async def __aenter__(self) -> Cable:
        self._server = await asyncio.start_server(self._carry, HOST, self.port)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.cut()
        self._server.close()

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            far_reader, far_writer = await asyncio.open_connection(HOST, self._to)
        except OSError:
            writer.transport.abort()
            return
        self._writers += [writer, far_writer]
        await asyncio.gather(_pass(reader, far_writer), _pass(far_reader, writer))

    def cut(self) -> None:
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()


async def _pass(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while data := await reader.read(65536):
            writer.write(data)
            await writer.drain()
    writer.close()


class Broker:
    """Either broker, with a way to kill it and to have it back on the same port."""

    def __init__(self, kind: str, accounts: Accounts, port: int, folder: Path) -> None:
        self.kind, self.accounts, self.port, self.folder = kind, accounts, port, folder
        self.endpoint: Endpoint
        self._child: ChildBroker | None = None
        self._stack = contextlib.AsyncExitStack()

    async def start(self) -> None:
        if self.kind == "embedded":
            broker = embedded_broker(self.port, self.accounts)
            self.endpoint = await self._stack.enter_async_context(broker)
            return
        program = find_mosquitto()
        assert program is not None
        child = child_broker(program, self.port, self.accounts, self.folder)
        self._child = await self._stack.enter_async_context(child)
        self.endpoint = self._child.endpoint

    async def stop(self) -> None:
        await self._stack.aclose()

    async def kill(self) -> None:
        """The child is shot and comes back by itself; the embedded one is ended and started."""
        if self._child is None:
            await self.stop()
            await self.start()
            return
        pid = self._child.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        await until(lambda: self._child and self._child.pid not in (None, pid) and self.listens())

    def listens(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex((HOST, self.port)) == 0


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that a broker under an account of its own can get at."""
    made = Path(tempfile.mkdtemp(prefix="benchpour-test-"))
    yield made
    shutil.rmtree(made)


@pytest.fixture(params=["mosquitto", "embedded"])
async def broker(request: pytest.FixtureRequest, folder: Path) -> AsyncIterator[Broker]:
    port = spare_port()
    made = Broker(request.param, new_accounts(folder, port), port, folder)
    await made.start()
    yield made
    await made.stop()


class Bench:
    """A link with its journal, running."""

    def __init__(self, endpoint: Endpoint, journal: Journal | None = None, last: int = 0) -> None:
        self.journal = journal or Journal()
        self.heard: list[bytes] = []
        self.ambient: list[bytes] = []
        self.link = BrokerLink(
            endpoint,
            bench="bench",
            version="0.0.test",
            events_after=self.journal.after,
            acked=self.journal.acked.append,
            last_acked=last,
            on_do=self.heard.append,
            inputs={"shop/air/celsius": self.ambient.append},
            wall=lambda: NOON_S,
        )

    async def __aenter__(self) -> Bench:
        self._task = asyncio.create_task(self.link.run())
        return self

    async def __aexit__(self, *_: object) -> None:
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    async def up(self) -> None:
        await until(lambda: self.link.connected)

    def log(self, count: int) -> None:
        self.link.committed(self.journal.append(count))


def _plain(payload: Any) -> Any:
    try:
        return json.loads(payload)
    except ValueError:
        return payload


class Reader:
    """A program that reads the bench, as any outsider would."""

    def __init__(self, port: int, account: Account | None = None, **more: Any) -> None:
        self._client = aiomqtt.Client(
            HOST,
            port,
            username=account.user if account else None,
            password=account.password if account else None,
            **more,
        )
        self.got: list[tuple[str, Any, bool]] = []

    async def __aenter__(self) -> Reader:
        await self._client.__aenter__()
        await self._client.subscribe(BASE + "#", qos=1)
        self._task = asyncio.create_task(self._read())
        return self

    async def __aexit__(self, *_: object) -> None:
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
            await self._task
        with contextlib.suppress(aiomqtt.MqttError):
            await self._client.__aexit__(None, None, None)

    async def _read(self) -> None:
        async for message in self._client.messages:
            name = str(message.topic).removeprefix(BASE)
            self.got.append((name, _plain(message.payload), bool(message.retain)))

    async def say(self, name: str, payload: bytes | str, *, retain: bool = False) -> None:
        await self._client.publish(BASE + name, payload, qos=1, retain=retain)

    def all(self, name: str) -> list[Any]:
        return [payload for topic, payload, _ in self.got if topic == name]

    def kept(self, name: str) -> list[Any]:
        return [payload for topic, payload, kept in self.got if topic == name and kept]

    @property
    def seqs(self) -> list[int]:
        return [event["seq"] for event in self.all("event")]

    @property
    def fresh_seqs(self) -> list[int]:
        """What is left after dropping every seq already seen, as a reader does."""
        return list(dict.fromkeys(self.seqs))


async def test_a_late_reader_finds_the_whole_bench_retained(broker: Broker) -> None:
    async with Bench(broker.endpoint) as bench:
        await bench.up()
        bench.link.show(POURING)
        async with Reader(broker.port) as reader:
            await until(lambda: all(map(reader.all, ("status", "dispense", "timers", "run"))))
            assert reader.kept("status")[0] == {
                "state": "online",
                "version": "0.0.test",
                "at": "2026-11-02T12:00:00.000Z",
            }
            assert reader.all("dispense")[-1]["zone"] == "dump"
            assert reader.all("timers")[-1][0]["id"] == "pot-life-1"
            assert reader.all("run")[-1]["name"] is None


async def test_views_shown_before_the_line_is_up_are_there_once_it_is(broker: Broker) -> None:
    bench = Bench(broker.endpoint)
    bench.link.show(POURING)
    async with bench, Reader(broker.port) as reader:
        await until(lambda: reader.all("dispense"))
        assert reader.all("dispense")[0]["step"] == "pour"


async def test_a_cancel_that_meets_the_acknowledgement_is_not_lost(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Waiting with a deadline may swallow a cancel; the line must end all the same."""

    async def forgetful(*_: object, **__: object) -> None:
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.Event().wait()

    client = new_client(broker.endpoint, "test", mqtt5=False)
    monkeypatch.setattr(client, "publish", forgetful)
    saying = asyncio.create_task(client.say("a", b"", 1, False))
    await asyncio.sleep(0)
    saying.cancel()
    with pytest.raises(asyncio.CancelledError):
        await saying


async def test_the_weight_comes_live_and_is_not_retained(broker: Broker) -> None:
    async with Bench(broker.endpoint) as bench, Reader(broker.port) as reader:
        await bench.up()
        bench.link.show(POURING)
        await until(lambda: reader.all("weight"))
        assert reader.all("weight")[0]["grams"] == 12.34
        async with Reader(broker.port) as late:
            await until(lambda: late.all("dispense"))
            assert late.all("weight") == []


async def test_every_turn_of_the_pour_is_published_in_order(broker: Broker) -> None:
    async with Bench(broker.endpoint) as bench, Reader(broker.port) as reader:
        await bench.up()
        for zone in Zone:
            bench.link.show(replace(POURING, zone=zone))
        await until(lambda: len(reader.all("dispense")) >= len(Zone))
        assert [said["zone"] for said in reader.all("dispense")] == [zone.value for zone in Zone]


async def test_events_arrive_in_order_and_are_acked_after_the_broker_has_them(
    broker: Broker,
) -> None:
    async with Bench(broker.endpoint) as bench, Reader(broker.port) as reader:
        await bench.up()
        bench.log(3)
        await until(lambda: len(reader.seqs) == 3)
        bench.log(50)
        await until(lambda: bench.journal.acked and bench.journal.acked[-1] == 53)
        await until(lambda: len(reader.seqs) == 53)
        assert reader.seqs == list(range(1, 54))
        assert bench.journal.acked == sorted(bench.journal.acked)
        assert reader.all("event")[0] == {
            "seq": 1,
            "at": "2026-11-02T12:00:00.000Z",
            "kind": "batch.opened",
            "batch": 1,
            "data": {},
        }


async def test_readers_that_come_and_go_cost_nobody_an_event(broker: Broker) -> None:
    closed = asyncio.Event()

    async def come_and_go(number: int) -> None:
        for visit in itertools.takewhile(lambda _: not closed.is_set(), itertools.count()):
            async with aiomqtt.Client(HOST, broker.port) as guest:
                await guest.subscribe(f"benchpour/+/{number}/{visit}", qos=1)

    async with Bench(broker.endpoint) as bench, Reader(broker.port) as reader:
        await bench.up()
        guests = [asyncio.create_task(come_and_go(number)) for number in range(5)]
        for _ in range(15):
            bench.log(10)
            await until(lambda: bench.journal.acked[-1:] == [len(bench.journal.rows)])
        await until(lambda: reader.seqs[-1:] == [150])
        assert reader.seqs == list(range(1, 151))
        closed.set()
        await asyncio.gather(*guests)


async def test_a_new_start_sends_only_what_the_broker_never_acknowledged(broker: Broker) -> None:
    journal = Journal()
    journal.append(5)
    async with Reader(broker.port) as reader, Bench(broker.endpoint, journal, last=3):
        await until(lambda: journal.acked and journal.acked[-1] == 5)
        await until(lambda: len(reader.seqs) == 2)
        assert reader.seqs == [4, 5]


async def test_a_command_is_handed_on_and_its_answer_published_after_its_events(
    broker: Broker,
) -> None:
    control = broker.accounts[Role.CONTROL]
    async with Bench(broker.endpoint) as bench, Reader(broker.port, control) as phone:
        await bench.up()
        await phone.say("do", '{"id": 7, "do": "next"}')
        await phone.say("do", "not json")
        await until(lambda: len(bench.heard) == 2)
        for payload in bench.heard:
            try:
                name, _ = parse_do(payload)
                bench.log(1)
                bench.link.answer(Done(id=name, ok=True))
            except CommandError as refused:
                bench.link.answer(Done(id=refused.id, ok=False, error=refused.sentence))
        await until(lambda: len(phone.all("done")) == 2)
        assert phone.all("done")[0] == {"id": 7, "ok": True, "error": None}
        assert phone.all("done")[1]["id"] is None
        names = [name for name, _, _ in phone.got]
        assert names.index("event") < names.index("done")


async def test_in_a_burst_each_answer_still_comes_after_the_events_of_its_command(
    broker: Broker,
) -> None:
    """Commands come while the events of earlier ones are on their way: two events a command."""
    async with Reader(broker.port) as phone, Bench(broker.endpoint) as bench:
        await bench.up()
        last_event_of: dict[int, int] = {}
        for name in range(60):
            bench.log(2)
            bench.link.answer(Done(id=name, ok=True))
            last_event_of[name] = len(bench.journal.rows)
            await asyncio.sleep(0.001 * (name % 3))
        bench.log(45)
        bench.link.answer(Done(id=60, ok=True))
        last_event_of[60] = len(bench.journal.rows)
        await until(lambda: len(phone.all("done")) == 61)
        seen = 0
        for topic, said, _ in phone.got:
            seen = said["seq"] if topic == "event" else seen
            assert topic != "done" or seen >= last_event_of[said["id"]], said
        assert [said["id"] for said in phone.all("done")] == list(last_event_of)


async def test_a_journal_that_is_slow_to_read_holds_up_nothing_else(broker: Broker) -> None:
    """A memory card that is busy: the loop, and with it every cue, goes on meanwhile."""
    free = threading.Event()
    journal = Journal()
    quick = journal.after

    def slow(seq: int, limit: int) -> list[Row]:
        assert free.wait(10)
        return quick(seq, limit)

    journal.after = slow  # type: ignore[method-assign]
    async with Reader(broker.port) as reader, Bench(broker.endpoint, journal) as bench:
        await bench.up()
        bench.log(1)
        for _ in range(200):
            await asyncio.sleep(0)
        assert reader.seqs == []
        bench.log(1)
        free.set()
        await until(lambda: reader.seqs == [1, 2])


async def test_a_journal_that_cannot_be_read_for_a_moment_loses_nothing(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.broker._READ_AGAIN_S", 0.01)
    journal, faults = Journal(), iter([True, True])
    quick = journal.after

    def faulty(seq: int, limit: int) -> list[Row]:
        if next(faults, False):
            raise JournalError("the disk reports an error")
        return quick(seq, limit)

    journal.after = faulty  # type: ignore[method-assign]
    async with Reader(broker.port) as reader, Bench(broker.endpoint, journal) as bench:
        await bench.up()
        bench.log(2)
        await until(lambda: len(reader.seqs) >= 2)
        assert reader.seqs == [1, 2]
    assert next(faults, None) is None


async def test_after_an_outage_an_answer_waits_for_the_events_that_are_sent_again(
    broker: Broker,
) -> None:
    async with (
        Reader(broker.port) as phone,
        Cable(broker.port) as cable,
        Bench(replace(broker.endpoint, port=cable.port)) as bench,
    ):
        await bench.up()
        bench.log(30)
        await until(lambda: phone.seqs[-1:] == [30])
        cable.cut()
        await until(lambda: not bench.link.connected)
        phone.got.clear()
        bench.log(30)
        bench.link.answer(Done(id="late", ok=True))
        await until(lambda: phone.all("done"))
        assert [name for name, _, _ in phone.got if name in ("event", "done")][-1] == "done"
        assert phone.seqs[-1] == 60


async def test_a_command_left_lying_on_the_broker_is_not_carried_out(broker: Broker) -> None:
    control = broker.accounts[Role.CONTROL]
    async with Reader(broker.port, control) as phone:
        await phone.say("do", '{"id": 1, "do": "tare"}', retain=True)
        async with Bench(broker.endpoint) as bench:
            await bench.up()
            await phone.say("do", '{"id": 2, "do": "next"}')
            await until(lambda: bench.heard)
            assert bench.heard == [b'{"id": 2, "do": "next"}']


async def test_further_topics_are_heard(broker: Broker) -> None:
    daemon = broker.accounts[Role.DAEMON]
    async with Bench(broker.endpoint) as bench:
        await bench.up()
        async with aiomqtt.Client(
            HOST, broker.port, username=daemon.user, password=daemon.password
        ) as thermometer:
            await thermometer.publish("shop/air/celsius", "21.5", qos=1)
            await until(lambda: bench.ambient)
    assert bench.ambient == [b"21.5"]


async def test_a_cut_cable_says_offline_and_the_line_comes_back(broker: Broker) -> None:
    async with Cable(broker.port) as cable, Reader(broker.port) as reader:
        bench = Bench(replace(broker.endpoint, port=cable.port))
        async with bench:
            await bench.up()
            cable.cut()
            await until(lambda: len(reader.all("status")) >= 2)
            assert reader.all("status")[-1]["state"] == "offline"
            await until(lambda: not bench.link.connected)
            assert "pouring goes on" in bench.link.why
            bench.log(2)
            await until(lambda: len(reader.fresh_seqs) == 2)
            assert bench.link.connected
            assert bench.link.why == ""
            assert reader.all("status")[-1]["state"] == "online"


async def test_a_broken_bench_is_said_to_be_offline_to_whoever_comes_later(broker: Broker) -> None:
    async with Cable(broker.port) as cable:
        bench = Bench(replace(broker.endpoint, port=cable.port))
        async with bench:
            await bench.up()
            await cable.__aexit__()
            await until(lambda: not bench.link.connected)
            async with Reader(broker.port) as late:
                await until(lambda: late.kept("status"))
                assert late.kept("status")[0]["state"] == "offline"


async def test_a_clean_end_sends_the_rest_and_says_offline(broker: Broker) -> None:
    async with Reader(broker.port) as reader:
        async with Bench(broker.endpoint) as bench:
            await bench.up()
            bench.log(3)
            bench.link.answer(Done(id="last", ok=True))
            began_s = time.monotonic()
        assert time.monotonic() - began_s < 2.0
        await until(lambda: [one["state"] for one in reader.all("status")][-1:] == ["offline"])
        assert reader.fresh_seqs == [1, 2, 3]
        assert reader.all("done")[-1]["id"] == "last"
        assert bench.journal.acked[-1] == 3


async def test_a_stale_offline_is_corrected(broker: Broker) -> None:
    daemon = broker.accounts[Role.DAEMON]
    async with Bench(broker.endpoint) as bench, Reader(broker.port, daemon) as reader:
        await bench.up()
        before = len(reader.all("status"))
        await reader.say("status", '{"state":"offline"}', retain=True)
        await until(lambda: len(reader.all("status")) >= before + 2)
        assert [said["state"] for said in reader.all("status")[before:]] == ["offline", "online"]


async def test_no_event_is_lost_when_the_broker_dies(broker: Broker) -> None:
    async with Bench(broker.endpoint) as bench:
        seen: list[int] = []
        for _ in range(2):
            async with Reader(broker.port) as reader:
                await bench.up()
                bench.log(7)
                await until(lambda: reader.fresh_seqs[-1:] == [bench.journal.rows[-1].seq])
                seen += reader.seqs
            await broker.kill()
            bench.log(5)
            await until(lambda: not bench.link.connected)
        async with Reader(broker.port) as reader:
            await until(lambda: reader.fresh_seqs[-1:] == [24])
            seen += reader.seqs
        assert list(dict.fromkeys(seen)) == sorted(set(seen))
        assert bench.journal.acked[-1] == 24


@pytest.mark.parametrize("role", [None, Role.WATCH])
async def test_whoever_may_only_watch_commands_nothing(broker: Broker, role: Role | None) -> None:
    account = broker.accounts[role] if role else None
    will = aiomqtt.Will(BASE + "do", '{"id": "w", "do": "abandon"}', qos=1)
    async with Bench(broker.endpoint) as bench, Cable(broker.port) as cable:
        await bench.up()
        async with Reader(broker.port, account) as watcher:
            await watcher.say("do", '{"id": 1, "do": "abandon"}')
        with contextlib.suppress(aiomqtt.MqttError):
            async with Reader(cable.port, account, will=will):
                cable.cut()
        async with Reader(broker.port, broker.accounts[Role.LOCAL]) as local:
            await local.say("do", '{"id": 2, "do": "next"}')
            await until(lambda: bench.heard)
        assert bench.heard == [b'{"id": 2, "do": "next"}']


@pytest.mark.parametrize("role", [Role.WATCH, Role.CONTROL, Role.LOCAL])
async def test_nobody_but_the_daemon_speaks_for_the_bench(broker: Broker, role: Role) -> None:
    daemon = broker.accounts[Role.DAEMON]
    async with (
        Reader(broker.port) as reader,
        Reader(broker.port, broker.accounts[role]) as intruder,
    ):
        for name in ("status", "weight", "dispense", "timers", "run", "event", "done"):
            await intruder.say(name, '{"forged": true}', retain=True)
        async with Reader(broker.port, daemon) as honest:
            await honest.say("event", '{"seq": 1}')
            await until(lambda: reader.got)
        assert reader.got == [("event", {"seq": 1}, False)]


async def test_a_wrong_password_is_let_in_nowhere(broker: Broker) -> None:
    for user in ("local", "daemon", "nobody"):
        with pytest.raises(aiomqtt.MqttError, match=r"[Nn]ot authori[sz]ed|Bad user"):
            async with Reader(broker.port, Account(user, "guess")):
                pass


async def test_a_refused_password_is_said_plainly_and_not_hammered(broker: Broker) -> None:
    wrong = replace(broker.endpoint, accounts={Role.DAEMON: Account("shop", "s3cret")})
    async with Bench(wrong) as bench:
        await until(lambda: bench.link.why)
        assert bench.link.why == (
            f"The broker at mqtt://127.0.0.1:{broker.port} refuses user 'shop'; check the user in "
            "the address and the password. Events are kept and sent once it is right."
        )
        assert bench.link.note.startswith("MQTT: The broker")
        assert not bench.link.connected


@pytest.mark.parametrize("broker", ["mosquitto"], indirect=True)
async def test_an_access_list_that_forbids_us_is_said_and_no_event_counted_as_sent(
    broker: Broker,
) -> None:
    """Only MQTT 5 tells; before it a message that may not be is swallowed."""
    poor = replace(broker.endpoint, accounts={Role.DAEMON: broker.accounts[Role.CONTROL]})
    async with Bench(poor) as bench:
        bench.log(1)
        await until(lambda: bench.link.why)
        assert "does not let user 'phone-control' use benchpour/bench/status" in bench.link.why
        assert bench.journal.acked == []


async def test_a_broker_that_is_not_there_is_said_plainly() -> None:
    nobody = Endpoint(HOST, spare_port(), {})
    async with Bench(nobody) as bench:
        bench.link.show(POURING)
        bench.log(1)
        await until(lambda: bench.link.why)
        assert "nothing listens there" in bench.link.why


async def test_a_broker_that_says_nothing_does_not_hold_up_the_end() -> None:
    async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        called.append(1)
        await reader.read()
        writer.close()

    called: list[int] = []
    server = await asyncio.start_server(silent, HOST, 0)
    port = server.sockets[0].getsockname()[1]
    async with Bench(Endpoint(HOST, port, {}, own=True)):
        await until(lambda: called)
        began_s = time.monotonic()
    assert time.monotonic() - began_s < 2.0
    server.close()


class OldCable(Cable):
    """A broker of MQTT 3.1.1 only: it answers a newer CONNECT as section 3.2.2.3 of it says."""

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connect = await reader.readuntil(b"MQTT")
        level = await reader.readexactly(1)
        if level != b"\x04":
            writer.write(b"\x20\x02\x00\x01")
            writer.close()
            return
        far_reader, far_writer = await asyncio.open_connection(HOST, self._to)
        far_writer.write(connect + level)
        self._writers += [writer, far_writer]
        await asyncio.gather(_pass(reader, far_writer), _pass(far_reader, writer))


async def test_an_older_broker_is_spoken_to_in_its_own_version(broker: Broker) -> None:
    async with OldCable(broker.port) as old, Reader(broker.port) as reader:
        given = replace(broker.endpoint, port=old.port, mqtt5=None, own=False)
        async with Bench(given) as bench:
            await until(lambda: bench.link.why)
            assert "does not speak this version" in bench.link.why
            bench.log(1)
            await until(lambda: reader.seqs == [1])


async def test_a_broker_can_be_tried_once(broker: Broker) -> None:
    assert await try_broker(broker.endpoint) == ""
    async with OldCable(broker.port) as old:
        given = replace(broker.endpoint, port=old.port, mqtt5=None, own=False)
        assert await try_broker(given) == ""
    wrong = replace(broker.endpoint, accounts={Role.DAEMON: Account("shop", "s3cret")})
    assert "refuses user 'shop'" in await try_broker(wrong)
    nobody = Endpoint(HOST, spare_port(), {})
    assert "nothing listens there" in await try_broker(nobody)


async def test_a_broker_that_hangs_up_is_said_plainly() -> None:
    async def rude(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.close()

    server = await asyncio.start_server(rude, HOST, 0)
    port = server.sockets[0].getsockname()[1]
    async with Bench(Endpoint(HOST, port, {}, own=True)) as bench:
        await until(lambda: bench.link.why)
        assert "closed the connection" in bench.link.why
    server.close()
