"""Announcements at the shop's broker: what is retained, what a loss leaves, what goes again."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import signal
import tempfile
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from daemon import announce_homie as homie
from daemon import outlets
from daemon.announce import Announcer, Wanted, kept_topics
from daemon.broker_access import Endpoint, Role
from daemon.broker_choice import OpenBroker, open_broker, parse_choice
from daemon.clock import Clock
from daemon.config import Config
from daemon.run import Running, RunOptions
from tests.kit_shop import ACCESS, Ear, Shop, shop_broker, spare_port, until
from tests.test_announce import POURING, check_description, check_value
from tests.test_broker import Cable

ROOT = "homie/5/benchpour-north/"
CONFIG = "shop/device/benchpour-north/config"
HOMIE = Wanted(homie=True)
BOTH = Wanted(homie=True, homie_do=True, prefix="shop")
OPEN = ACCESS.replace("#topic write PREFIX", "topic write shop").replace(
    "#topic read PREFIX", "topic read shop"
)
"""As a person would have it who has switched everything on."""


@pytest.fixture
async def shop() -> AsyncIterator[Shop]:
    # Whoever controls may also set what can be set, and plays the controller's part here.
    more = "\nuser control\ntopic readwrite homie/5/+/do/next/set\ntopic readwrite shop/#\n"
    async with shop_broker(OPEN + more) as made:
        yield made


class News:
    """An announcer at work, and what it told the rest of the daemon."""

    def __init__(
        self, endpoint: Endpoint, wanted: Wanted = HOMIE, before: tuple[str, ...] = ()
    ) -> None:
        self.kept: list[str] = []
        self.said: list[str] = []
        self.nexts: list[int] = []
        self.it = Announcer(
            endpoint,
            wanted,
            bench="north",
            version="1.2.3",
            before=before,
            keep=self.kept.append,
            say=self.said.append,
            on_next=lambda: self.nexts.append(1),
        )
        self.it.show(POURING)

    async def __aenter__(self) -> News:
        self.task = asyncio.create_task(self.it.run())
        return self

    async def __aexit__(self, *_: object) -> None:
        self.task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self.task


def homie_ear(shop: Shop) -> Ear:
    return Ear(shop.client("watch"), "homie/5/#")


def states(ear: Ear) -> list[bytes]:
    return ear.all(ROOT + "$state")


async def retained(shop: Shop) -> dict[str, bytes]:
    """What somebody who comes now finds at the broker."""
    async with (
        Ear(shop.client("daemon"), "homie/5/#", "shop/#") as late,
        shop.client("thermometer") as mark,
    ):
        await mark.publish("shop/air/celsius", b"end", qos=1)
        await until(lambda: late.all("shop/air/celsius"))
        return {topic: payload for topic, payload, kept in late.got if kept}


async def test_a_device_comes_to_life_in_the_order_of_the_convention(shop: Shop) -> None:
    """Homie 5, "Device Lifecycle": init, the description and every value, then ready."""
    async with homie_ear(shop) as ear, News(shop.endpoint()):
        await until(lambda: states(ear)[-1:] == [b"ready"])
        topics = [topic for topic, _, _ in ear.got]
        assert topics[0] == ROOT + "$state"
        assert states(ear) == [b"init", b"ready"]
        assert topics[-1] == ROOT + "$state"
        found = check_description(json.loads(ear.all(ROOT + "$description")[0]))
        for name, prop in found.items():
            for payload in ear.all(ROOT + name):
                check_value(prop, payload)
        assert ear.all(ROOT + "dispense/remaining") == [b"12.340"]


async def test_who_comes_later_finds_everything_retained(shop: Shop) -> None:
    async with homie_ear(shop) as ear, News(shop.endpoint()):
        await until(lambda: states(ear)[-1:] == [b"ready"])
        found = await retained(shop)
        said = {ROOT + name for name, value in homie.values(POURING).items() if value}
        assert set(found) == said | {ROOT + "$state", ROOT + "$description"}


async def test_a_change_is_told_and_what_has_not_changed_is_not(shop: Shop) -> None:
    async with homie_ear(shop) as ear, News(shop.endpoint()) as news:
        await until(lambda: states(ear)[-1:] == [b"ready"])
        ear.got.clear()
        news.it.show(replace(POURING, prompt="Stop", scale="lost", scale_note="Pulled out."))
        await until(lambda: len(ear.got) >= 2)
        assert [(topic.removeprefix(ROOT), payload) for topic, payload, _ in ear.got] == [
            ("dispense/prompt", b"Stop"),
            ("$alert/scale", b"Pulled out."),
        ]


async def test_a_weight_in_motion_is_said_now_and_then_and_its_last_value_surely(
    shop: Shop,
) -> None:
    async with homie_ear(shop) as ear, News(shop.endpoint()) as news:
        await until(lambda: states(ear)[-1:] == [b"ready"])
        for tenth in range(100):
            news.it.show(replace(POURING, weight_g=60.0 + tenth / 10))
            await asyncio.sleep(0)
        await until(lambda: ear.all(ROOT + "weight/grams")[-1] == b"69.900")
        assert len(ear.all(ROOT + "weight/grams")) <= 3


async def test_a_line_that_breaks_leaves_lost_and_a_clean_end_disconnected(shop: Shop) -> None:
    async with homie_ear(shop) as ear, Cable(shop.port) as cable:
        async with News(replace(shop.endpoint(), port=cable.port)):
            await until(lambda: states(ear)[-1:] == [b"ready"])
            cable.cut()
            await until(lambda: states(ear)[-1] == b"lost")
            await until(lambda: states(ear)[-1] == b"ready")
        await until(lambda: states(ear)[-1] == b"disconnected")
        assert states(ear) == [b"init", b"ready", b"lost", b"init", b"ready", b"disconnected"]


async def test_a_late_will_of_an_earlier_connection_is_corrected(shop: Shop) -> None:
    async with homie_ear(shop) as ear, News(shop.endpoint()):
        await until(lambda: states(ear)[-1:] == [b"ready"])
        async with shop.client("daemon") as other:
            await other.publish(ROOT + "$state", b"lost", qos=1, retain=True)
        await until(lambda: states(ear)[-2:] == [b"lost", b"ready"])
        assert (await retained(shop))[ROOT + "$state"] == b"ready"


async def test_after_the_broker_has_been_away_the_device_is_there_again(shop: Shop) -> None:
    async with News(shop.endpoint()) as news:
        await until(lambda: news.kept)
        shop.stop(signal.SIGKILL)
        (shop.folder / "memory" / "mosquitto.db").unlink(missing_ok=True)
        await shop.start()
        async with homie_ear(shop) as ear:
            await until(lambda: states(ear)[-1:] == [b"ready"])
            assert ear.all(ROOT + "dispense/zone")[-1] == b"ease"


async def test_what_is_due_can_be_done_from_a_dashboard_where_that_is_allowed(shop: Shop) -> None:
    async with homie_ear(shop) as ear, shop.client("control") as dashboard:
        await dashboard.publish(ROOT + "do/next/set", b"true", qos=1, retain=True)
        async with News(shop.endpoint(), BOTH) as news:
            await until(lambda: states(ear)[-1:] == [b"ready"])
            for payload in (b"false", b"", b"true"):
                await dashboard.publish(ROOT + "do/next/set", payload)
            await until(lambda: news.nexts)
            assert news.nexts == [1], "neither what lay there before, nor anything but true"


async def test_without_leave_nothing_can_be_set(shop: Shop) -> None:
    async with homie_ear(shop) as ear, News(shop.endpoint()) as news:
        await until(lambda: states(ear)[-1:] == [b"ready"])
        async with shop.client("control") as dashboard:
            await dashboard.publish(ROOT + "do/next/set", b"true", qos=1)
        news.it.show(replace(POURING, prompt="Later"))
        await until(lambda: b"Later" in ear.all(ROOT + "dispense/prompt"))
        assert news.nexts == []


async def test_a_controller_that_starts_is_told_again(shop: Shop) -> None:
    async with (
        Ear(shop.client("control"), "shop/#") as controller,
        News(shop.endpoint(), Wanted(prefix="shop")),
    ):
        await until(lambda: controller.all(CONFIG))
        told = json.loads(controller.all(CONFIG)[0])
        assert told["origin"] == {"name": "benchpour", "sw_version": "1.2.3"}
        await controller.say("shop/status", b"offline")
        await controller.say("shop/status", b"online")
        await until(lambda: len(controller.all(CONFIG)) == 2)
        assert (await retained(shop))[CONFIG] == controller.all(CONFIG)[1]


async def test_what_is_switched_off_is_removed_state_first_and_forgotten(shop: Shop) -> None:
    async with News(shop.endpoint(), BOTH) as news:
        async with homie_ear(shop) as ear:
            await until(lambda: states(ear)[-1:] == [b"ready"])
        before = kept_topics(news.kept[-1])
    assert CONFIG in await retained(shop)
    async with homie_ear(shop) as ear, News(shop.endpoint(), Wanted(), before) as off:
        await off.task
        assert kept_topics(off.kept[-1]) == ()
        await until(lambda: b"" in ear.all(ROOT + "run/good"))
        assert next(topic for topic, payload, _ in ear.got if not payload) == ROOT + "$state"
    assert await retained(shop) == {}


async def test_one_switched_off_leaves_the_other(shop: Shop) -> None:
    before = BOTH.topics("north")
    async with News(shop.endpoint(), BOTH) as both:
        await until(lambda: both.kept)
    wanted = Wanted(prefix="shop")
    async with (
        Ear(shop.client("control"), "shop/#") as controller,
        News(shop.endpoint(), wanted, before),
    ):
        await until(lambda: controller.all(CONFIG))
        assert set(await retained(shop)) == {CONFIG}


async def test_with_everything_off_the_broker_is_not_even_called() -> None:
    news = News(Endpoint("192.0.2.1", 1, {}), Wanted())
    await news.it.run()
    assert (news.kept, news.said) == ([], [])


async def test_a_broker_that_forbids_it_is_said_once_and_plainly(shop: Shop) -> None:
    async with News(shop.endpoint("watch"), HOMIE) as news:
        await until(lambda: news.said)
        assert news.said == [
            "The broker does not let the bench announce itself to dashboards "
            f"({ROOT}$state); check its access list, or switch [announce] off. Pouring goes on."
        ]


# --- wired to the daemon --------------------------------------------------------------------------


def running(folder: Any, **announce: Any) -> Running:
    config = Config.model_validate(
        {"bench": "north", "announce": announce, "sound": {"to": "none"}, "phone": {"off": True}}
    )
    return Running(RunOptions(config=config, console="none", clock=Clock()), folder)


async def serve_until(shop: Shop, daemon: Running, topic: str, payload: bytes) -> None:
    """Have the daemon at the broker until this is said there, then end it."""
    journal = asyncio.create_task(daemon.loop.run())
    broker = OpenBroker(shop.endpoint(), "MQTT")
    serving = asyncio.create_task(outlets._serve(daemon, broker))
    async with Ear(shop.client("daemon"), "homie/5/#", "shop/#") as ear:
        await until(lambda: daemon.link and daemon.link.connected)
        await until(lambda: ear.all(topic)[-1:] == [payload])
    for task in (serving, journal):
        task.cancel()
    await asyncio.gather(serving, journal, return_exceptions=True)
    await daemon.loop.close()
    daemon.journal.close()


async def test_the_daemon_announces_itself_and_takes_it_back_once_that_is_switched_off(
    shop: Shop, tmp_path: Any
) -> None:
    on = running(tmp_path, homie=True, discovery_prefix="shop")
    await serve_until(shop, on, ROOT + "$state", b"ready")
    assert CONFIG in await retained(shop)
    await serve_until(shop, running(tmp_path), CONFIG, b"")
    assert await retained(shop) == {}


@pytest.mark.parametrize("kind", ["auto", "embedded"])
async def test_at_a_broker_of_its_own_a_dashboard_of_this_machine_reads_and_does_what_is_due(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever reads the bench reads this too; to say something takes the account `local`."""
    daemon = running(tmp_path, homie=True, homie_do=True, discovery_prefix="shop")
    nexts: list[Any] = []
    monkeypatch.setattr(daemon.commander, "heard", lambda do, by, _: nexts.append((do["do"], by)))
    journal = asyncio.create_task(daemon.loop.run())
    choice, beyond = parse_choice(kind, environ={}), outlets._beyond(daemon.options.config)
    runtime = Path(tempfile.mkdtemp(prefix="benchpour-broker-"))
    own = open_broker(choice, store=tmp_path, port=spare_port(), beyond=beyond, runtime=runtime)
    async with own as broker:
        assert broker is not None and broker.endpoint.own
        where, local = broker.endpoint, broker.endpoint.accounts[Role.LOCAL]
        user = aiomqtt.Client(where.host, where.port, username=local.user, password=local.password)
        serving = asyncio.create_task(outlets._serve(daemon, broker))
        async with (
            Ear(aiomqtt.Client(where.host, where.port), "homie/5/#", "shop/#") as ear,
            Ear(user, "homie/5/#", "shop/#") as dash,
        ):
            for one in (ear, dash):
                await until(lambda: states(one)[-1:] == [b"ready"] and one.all(CONFIG))  # noqa: B023
            told = len(ear.all(CONFIG))
            await ear.say(ROOT + "do/next/set", b"true")
            await ear.say(ROOT + "$state", b"lost")
            await dash.say(ROOT + "$state", b"lost")
            await dash.say("shop/status", b"online")
            await until(lambda: len(ear.all(CONFIG)) > told)
            await dash.say(ROOT + "do/next/set", b"true")
            await until(lambda: nexts)
            assert nexts == [("next", "homie")]
            assert b"lost" not in states(ear)
        for task in (serving, journal):
            task.cancel()
        await asyncio.gather(serving, journal, return_exceptions=True)
    shutil.rmtree(runtime)
    await daemon.loop.close()
    daemon.journal.close()
