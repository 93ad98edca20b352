"""The shop's broker, from the sample: roles, encryption, memory, several benches side by side."""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import signal
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from daemon.broker import BrokerLink
from daemon.broker_access import Endpoint
from daemon.broker_choice import open_broker, parse_choice
from daemon.broker_client import try_broker
from daemon.commands import parse_do
from daemon.config import Config
from daemon.doctor_finding import Case
from daemon.doctor_links import broker as look_at_broker
from daemon.view import BenchView, Step, Zone
from tests.kit_shop import ACCESS, HOST, Ear, Shop, commands, shop_broker, until

POURING = BenchView(
    at_s=2.0,
    wall_offset_s=1_793_620_800.0,
    batch=1,
    step=Step.POUR,
    part="A",
    zone=Zone.DUMP,
    target_g=69.5,
    weight_g=12.34,
    flow_g_per_s=4.0,
)


@pytest.fixture
async def shop() -> AsyncIterator[Shop]:
    async with shop_broker() as made:
        yield made


class Bench:
    """A bench's line, running, without a journal behind it."""

    def __init__(self, endpoint: Endpoint, name: str = "bench") -> None:
        self.heard: list[bytes] = []
        self.air: list[bytes] = []
        self.link = BrokerLink(
            endpoint,
            bench=name,
            version="0.0.test",
            events_after=lambda seq, limit: [],
            acked=lambda seq: None,
            last_acked=0,
            on_do=self.heard.append,
            inputs={"shop/air/celsius": self.air.append},
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


def statuses(ear: Ear, bench: str) -> list[str]:
    return [json.loads(said)["state"] for said in ear.all(f"benchpour/{bench}/status")]


async def test_a_bench_is_on_the_line_by_the_settings_that_the_sample_names(
    shop: Shop, tmp_path: Path
) -> None:
    """The whole way: address, password file and certificate file, to a picture on a dashboard."""
    password = tmp_path / "mqtt-password"
    password.write_text(f"{shop.password('daemon')}\n")
    password.chmod(0o600)
    url = f"mqtts://daemon@{HOST}:{shop.tls_port}"
    choice = parse_choice(url, password_file=password, ca_file=shop.ca_file, environ={"X": ""})
    async with open_broker(choice, store=tmp_path) as opened:
        assert opened.endpoint.tls
        async with Bench(opened.endpoint) as bench:
            await bench.up()
            bench.link.show(POURING)
            async with Ear(shop.client("watch", tls=True), "benchpour/#") as dashboard:
                await until(lambda: dashboard.all("benchpour/bench/dispense"))
                told = json.loads(dashboard.all("benchpour/bench/dispense")[-1])
                assert (told["step"], told["zone"], told["target_g"]) == ("pour", "dump", 69.5)


async def test_the_doctor_trusts_the_certificate_that_the_settings_name(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHPOUR_MQTT_PASSWORD", shop.password("daemon"))
    url = f"mqtts://daemon@{HOST}:{shop.tls_port}"
    for ca_file, well in ((str(shop.ca_file), True), ("", False)):
        told = {"broker": {"url": url, "ca_file": ca_file}, "store": {"dir": str(tmp_path)}}
        case = Case(Config.model_validate(told), None)
        found = await asyncio.to_thread(list, look_at_broker(case))
        assert [one.ok for one in found] == [well], found


async def test_a_broker_whose_certificate_nobody_vouches_for_gets_no_password(shop: Shop) -> None:
    unknown = replace(shop.endpoint(tls=True), ca_file=None)
    assert "see ca_file" in await try_broker(unknown)
    elsewhere = replace(shop.endpoint(tls=True), host="localhost")
    assert "see ca_file" in await try_broker(elsewhere), "the name in the certificate counts"
    assert await try_broker(shop.endpoint(tls=True)) == ""


async def test_nobody_comes_in_without_an_account(shop: Shop) -> None:
    for client in (
        aiomqtt.Client(HOST, shop.port),
        aiomqtt.Client(HOST, shop.port, username="daemon", password="guess"),
    ):
        with pytest.raises(aiomqtt.MqttError, match=r"[Nn]ot authori[sz]ed|Bad user"):
            async with client:
                pass


async def test_who_only_watches_commands_nothing_and_who_controls_does(shop: Shop) -> None:
    async with Bench(shop.endpoint()) as bench:
        await bench.up()
        for user, command in (("watch", b"1"), ("thermometer", b"2"), ("control", b"3")):
            async with shop.client(user) as client:
                await client.publish("benchpour/bench/do", command, qos=1)
        await until(lambda: bench.heard)
        assert bench.heard == [b"3"]


@pytest.mark.parametrize("user", ["watch", "control", "button", "thermometer"])
async def test_nobody_but_the_daemon_speaks_for_the_bench(shop: Shop, user: str) -> None:
    async with (
        Ear(shop.client("watch"), "benchpour/#", "homie/5/#") as ear,
        shop.client(user) as intruder,
    ):
        for name in ("status", "weight", "dispense", "timers", "run", "event", "done"):
            await intruder.publish(f"benchpour/bench/{name}", b"forged", qos=1, retain=True)
        await intruder.publish("homie/5/benchpour-bench/$state", b"ready", qos=1, retain=True)
        async with shop.client("daemon") as honest:
            await honest.publish("benchpour/bench/event", b"1", qos=1)
        await until(lambda: ear.got)
        assert [(topic, payload) for topic, payload, _ in ear.got] == [
            ("benchpour/bench/event", b"1")
        ]


async def test_a_foot_switch_commands_and_hears_its_answer_and_nothing_else(shop: Shop) -> None:
    """The payload is the one that the interface's description gives for it."""
    paper = (Path(__file__).parents[1] / "daemon" / "INTERFACES.md").read_text(encoding="utf-8")
    payload = re.search(r"-u button .* -m '([^']+)'", paper)[1]
    async with (
        Bench(shop.endpoint()) as bench,
        Ear(shop.client("button"), "benchpour/#") as button,
    ):
        await bench.up()
        bench.link.show(POURING)
        await button.say("benchpour/bench/do", payload)
        await until(lambda: bench.heard)
        assert parse_do(bench.heard[0])[1] == {"do": "next"}
        async with shop.client("daemon") as daemon:
            await daemon.publish("benchpour/bench/done", b"{}", qos=1)
        await until(lambda: button.got)
        assert [topic for topic, _, _ in button.got] == ["benchpour/bench/done"]


async def test_a_thermometer_is_heard_and_may_say_nothing_else(shop: Shop) -> None:
    async with Bench(shop.endpoint()) as bench, shop.client("thermometer") as thermometer:
        await bench.up()
        await thermometer.publish("shop/air/humidity", b"40", qos=1)
        await thermometer.publish("shop/air/celsius", b"21.5", qos=1)
        await until(lambda: bench.air)
        assert bench.air == [b"21.5"]


async def test_several_benches_keep_apart_on_one_broker(shop: Shop) -> None:
    async with (
        Bench(shop.endpoint(), "north") as north,
        Bench(shop.endpoint(), "south") as south,
        Ear(shop.client("control"), "benchpour/#") as ear,
    ):
        await north.up()
        await south.up()
        north.link.show(replace(POURING, recipe="Slate knob"))
        south.link.show(replace(POURING, recipe="Cream knob"))
        await until(lambda: ear.all("benchpour/north/dispense"))
        await until(lambda: ear.all("benchpour/south/dispense"))
        for bench, recipe in (("north", "Slate knob"), ("south", "Cream knob")):
            told = {json.loads(p)["recipe"] for p in ear.all(f"benchpour/{bench}/dispense")}
            assert told == {recipe}
        await ear.say("benchpour/south/do", b'{"id":1,"do":"next"}')
        await until(lambda: south.heard)
        assert north.heard == []
        assert statuses(ear, "north")[-1] == statuses(ear, "south")[-1] == "online"


async def test_with_accounts_of_their_own_one_bench_cannot_speak_for_another() -> None:
    """The lines that the sample offers for it, taken out of their comment, for two benches."""
    offered = re.search(r"(?m)^#   user daemon-north\n(?:#   topic .*\n)+", ACCESS)[0]
    north = offered.replace("#   ", "").replace("user daemon-north", "user control")
    others = ACCESS.replace(re.search(r"(?m)^user control\n(?:topic .*\n)+", ACCESS)[0], north)
    async with shop_broker(others) as shop, Ear(shop.client("watch"), "benchpour/#") as ear:
        async with shop.client("control") as bench:
            await bench.publish("benchpour/south/event", b"forged", qos=1)
            await bench.publish("benchpour/north/event", b"own", qos=1)
        await until(lambda: ear.got)
        assert [topic for topic, _, _ in ear.got] == ["benchpour/north/event"]


async def test_a_weight_expires_and_the_bench_itself_does_not(shop: Shop) -> None:
    """MQTT 5 section 3.3.2.3.3: the message expiry interval, in seconds, goes on to the reader."""
    version = aiomqtt.ProtocolVersion.V5
    async with (
        Bench(shop.endpoint()) as bench,
        Ear(shop.client("watch", protocol=version), "benchpour/bench/#") as ear,
    ):
        await bench.up()
        bench.link.show(POURING)
        await until(lambda: ear.all("benchpour/bench/weight"))
        expiry = {
            topic.rpartition("/")[2]: getattr(props, "MessageExpiryInterval", None)
            for (topic, _, _), props in zip(ear.got, ear.properties, strict=True)
        }
        assert 0 < expiry["weight"] <= 5
        assert expiry["dispense"] is None


async def test_what_waits_for_a_reader_outlives_the_broker(shop: Shop) -> None:
    session: dict[str, Any] = {"identifier": "reader", "clean_session": False}
    async with shop.client("watch", **session) as reader:
        await reader.subscribe("benchpour/#", qos=1)
    async with shop.client("daemon") as daemon:
        for number in range(3):
            await daemon.publish("benchpour/bench/event", str(number), qos=1)
        await daemon.publish("benchpour/bench/run", b"{}", qos=1, retain=True)
    memory = shop.folder / "memory" / "mosquitto.db"
    await until(lambda: memory.exists() and b"benchpour/bench/run" in memory.read_bytes())
    shop.stop(signal.SIGKILL)
    await shop.start()
    async with Ear(shop.client("watch", **session)) as ear:
        await until(lambda: len(ear.all("benchpour/bench/event")) == 3)
        assert ear.all("benchpour/bench/event") == [b"0", b"1", b"2"]
    async with Ear(shop.client("watch"), "benchpour/#") as late:
        await until(lambda: late.got)
        assert late.got == [("benchpour/bench/run", b"{}", True)]


async def test_a_packet_of_unheard_size_is_refused(shop: Shop) -> None:
    with pytest.raises(aiomqtt.MqttError):
        async with shop.client("daemon") as client:
            await client.publish("benchpour/bench/event", bytes(300_000))
            await anext(client.messages)


def test_the_sample_names_every_account_of_the_list() -> None:
    made = {command.split()[-1] for command in commands("mosquitto_passwd")}
    assert made == set(re.findall(r"(?m)^user (.+)$", ACCESS))
