"""Lets other dashboards find the bench: publishes what is switched on, removes what no longer is.

Owns a second, light connection to the broker, so that neither a dashboard's values nor their loss
hold up the bench's own topics. It has to be a connection of its own: MQTT allows one last will to
each, and where the bench's own says `offline`, the Homie convention wants `lost` on its `$state`.
Knows nothing of the batch: it is given views.
"""

from __future__ import annotations

import asyncio
import json
import random
import secrets
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import aiomqtt

from daemon import announce_home as home
from daemon import announce_homie as homie
from daemon.broker import first_of
from daemon.broker_access import Endpoint
from daemon.broker_client import LinkClient, RefusedError, new_client, reach
from daemon.view import BenchView

UNHURRIED_S = 1.0
"""How often values that change with every reading are said at most."""
_FIRST_PAUSE_S = 1.0
_LONGEST_PAUSE_S = 30.0
_GOODBYE_S = 0.5
_QOS = 1


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which conventions are switched on; `prefix` is that of discovery, empty for off."""

    homie: bool = False
    homie_do: bool = False
    prefix: str = ""

    def topics(self, bench: str) -> tuple[str, ...]:
        """Return every topic that stays retained for this bench, in the order of removal."""
        found = homie.topics(bench, settable=self.homie_do) if self.homie else ()
        return (*found, home.config_topic(self.prefix, bench)) if self.prefix else found

    def hears(self, bench: str) -> tuple[str, ...]:
        """Return the topics on which dashboards say something to this bench."""
        do = (f"{homie.root(bench)}{homie.NEXT}/set",) if self.homie and self.homie_do else ()
        return (*do, home.birth_topic(self.prefix)) if self.prefix else do

    def tells(self) -> tuple[str, ...]:
        """Return filters of all that any bench announces, for whoever may read it."""
        devices = (f"{homie.ROOT}/#",) if self.homie else ()
        return (*devices, f"{self.prefix}/#") if self.prefix else devices


def kept_topics(text: str | None) -> tuple[str, ...]:
    """Read the list of topics that were announced before; what is no such list is none."""
    try:
        found = json.loads(text or "[]")
    except ValueError:
        return ()
    return tuple(topic for topic in found if isinstance(topic, str)) if type(found) is list else ()


class Announcer:
    """Keeps the bench announced for as long as `run` does; `show` and `committed` never wait."""

    def __init__(
        self,
        endpoint: Endpoint,
        wanted: Wanted,
        *,
        bench: str,
        version: str,
        before: Sequence[str] = (),
        keep: Callable[[str], None],
        say: Callable[[str], None],
        on_next: Callable[[], None],
    ) -> None:
        """Make an announcer.

        `before` are the topics that were retained last time, `keep` is told those of now as text,
        `say` a sentence for the person, `on_next` is called when a dashboard sets `next`.
        """
        self._endpoint = endpoint
        self._wanted = wanted
        self._bench = bench
        self._version = version
        self._before = tuple(before)
        self._keep, self._say_so, self._on_next = keep, say, on_next
        self._name = f"benchpour-{bench}-news-{secrets.token_hex(6)}"
        self._mqtt5 = endpoint.mqtt5 is not False
        self._root = homie.root(bench)
        self._view: BenchView | None = None
        self._said: dict[str, bytes] = {}
        self._unhurried_s = 0.0
        self._born = self._lost = self._up = self._was_up = False
        self._wake = asyncio.Event()
        self._complained = ""

    @property
    def idle(self) -> bool:
        """Whether there is nothing to announce and nothing to remove."""
        return not self._wanted.topics(self._bench) and not self._before

    def show(self, view: BenchView) -> None:
        """Take the bench as it is now."""
        self._view = view
        self._wake.set()

    def committed(self, upto_seq: int) -> None:
        """Events are not announced."""

    async def run(self) -> None:
        """Keep the bench announced until cancelled; ends by itself where nothing is switched on."""
        pause_s = _FIRST_PAUSE_S
        while not self.idle:
            try:
                await self._session()
            except RefusedError as error:
                self._complain(str(error))
                pause_s = _LONGEST_PAUSE_S
            except (aiomqtt.MqttError, OSError):
                # The bench's own line says what is wrong with the broker.
                self._other_version()
            else:
                return
            if self._up:
                self._up, pause_s = False, _FIRST_PAUSE_S
            await asyncio.sleep(pause_s * random.uniform(0.5, 1.0))
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)

    def _other_version(self) -> None:
        if self._endpoint.mqtt5 is None and not self._was_up:
            self._mqtt5 = not self._mqtt5

    def _complain(self, where: str) -> None:
        """Once a topic: dashboards are a convenience, and nobody is to be nagged for them."""
        if where == self._complained:
            return
        self._complained = where
        self._say_so(
            f"The broker does not let the bench announce itself to dashboards ({where}); check "
            "its access list, or switch [announce] off. Pouring goes on."
        )

    async def _session(self) -> None:
        """One connection: remove what is no longer wanted, announce the rest, keep it up to date.

        Returns where nothing is switched on; otherwise it ends by raising.
        """
        await reach(self._endpoint)
        client = new_client(self._endpoint, self._name, self._will(), mqtt5=self._mqtt5)
        await client.open()
        self._was_up = True
        try:
            await self._remove(client)
            if not self._wanted.topics(self._bench):
                return
            await self._announce(client)
            self._up = True
            await first_of(self._listen(client), self._talk(client))
        except asyncio.CancelledError:
            await self._say_goodbye(client)
            raise
        finally:
            client.drop()

    def _will(self) -> aiomqtt.Will | None:
        if not self._wanted.homie:
            return None
        return aiomqtt.Will(self._root + homie.STATE, b"lost", qos=_QOS, retain=True)

    async def _remove(self, client: LinkClient) -> None:
        """Take away what is retained from before and no longer wanted."""
        wanted = self._wanted.topics(self._bench)
        for topic in self._before:
            if topic not in wanted:
                await client.say(topic, b"", _QOS, True)
        self._before = ()
        self._keep(json.dumps(wanted))

    async def _announce(self, client: LinkClient) -> None:
        if self._wanted.prefix:
            await client.hear(home.birth_topic(self._wanted.prefix))
            await self._say_config(client)
        if self._wanted.homie:
            await self._say_state(client, "init")
            told = homie.description(self._bench, settable=self._wanted.homie_do)
            await self._say(client, homie.DESCRIPTION, _json(told))
            self._said.clear()
            await self._say_values(client)
            for topic in self._hears():
                await client.hear(topic)
            await self._say_state(client, "ready")

    def _hears(self) -> Iterable[str]:
        # The will of an earlier connection may still come after our `ready`.
        yield self._root + homie.STATE
        if self._wanted.homie_do:
            yield f"{self._root}{homie.NEXT}/set"

    async def _listen(self, client: LinkClient) -> None:
        async for message in client.messages:
            payload = message.payload if isinstance(message.payload, bytes) else b""
            self._heard(str(message.topic), payload, retained=bool(message.retain))
        raise aiomqtt.MqttError("the broker hung up")

    def _heard(self, topic: str, payload: bytes, *, retained: bool) -> None:
        if topic == self._root + homie.STATE:
            self._lost = payload in (b"lost", b"disconnected", b"")
        elif retained:
            # Meant for another moment: a command, or a start that our coming has answered already.
            return
        elif topic == f"{self._root}{homie.NEXT}/set":
            if payload == b"true":
                self._on_next()
        elif payload == home.BIRTH:
            self._born = True
        self._wake.set()

    async def _talk(self, client: LinkClient) -> None:
        while True:
            self._wake.clear()
            if self._lost:
                self._lost = False
                await self._say_state(client, "ready")
            if self._born:
                self._born = False
                await self._say_config(client)
            if self._wanted.homie:
                await self._say_values(client)
            await self._nap()

    async def _nap(self) -> None:
        """Until something is new; a value that was put off is said without waiting for another."""
        loop = asyncio.get_running_loop()
        wait_s = self._unhurried_s + UNHURRIED_S - loop.time()
        due = self._wanted.homie and self._put_off()
        alarm = loop.call_later(max(0.0, wait_s), self._wake.set) if due else None
        try:
            await self._wake.wait()
        finally:
            if alarm is not None:
                alarm.cancel()

    def _put_off(self) -> bool:
        """Whether a value is other than it was last said."""
        return self._view is not None and homie.values(self._view) != self._said

    async def _say_values(self, client: LinkClient) -> None:
        """Say each value that has changed; those that change with every reading in their turn."""
        if self._view is None:
            return
        now_s = asyncio.get_running_loop().time()
        all_due = not self._said or now_s - self._unhurried_s >= UNHURRIED_S
        if all_due:
            self._unhurried_s = now_s
        for name, payload in homie.values(self._view).items():
            if self._said.get(name) == payload or (name in homie.UNHURRIED and not all_due):
                continue
            await self._say(client, name, payload)
            self._said[name] = payload

    async def _say_state(self, client: LinkClient, state: str) -> None:
        await self._say(client, homie.STATE, state.encode())

    async def _say(self, client: LinkClient, name: str, payload: bytes) -> None:
        await client.say(self._root + name, payload, _QOS, True)

    async def _say_config(self, client: LinkClient) -> None:
        topic = home.config_topic(self._wanted.prefix, self._bench)
        await client.say(topic, _json(home.config(self._bench, self._version)), _QOS, True)

    async def _say_goodbye(self, client: LinkClient) -> None:
        if not self._wanted.homie:
            return
        goodbye = asyncio.create_task(self._say_state(client, "disconnected"))
        await asyncio.wait({goodbye}, timeout=_GOODBYE_S)
        goodbye.cancel()
        await asyncio.gather(goodbye, return_exceptions=True)


def _json(plain: dict[str, Any]) -> bytes:
    return json.dumps(plain, ensure_ascii=False, separators=(",", ":")).encode()
