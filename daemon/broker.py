"""The bench's line to the MQTT broker: keeps it up, publishes in order, hears commands.

Owns the connection and what is still to be sent. Knows nothing of the batch: it is given views,
committed events and answers, and hands on each command's bytes as they came.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import secrets
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

import aiomqtt

from daemon import topics
from daemon.broker_access import Endpoint
from daemon.broker_client import LinkClient, RefusedError, new_client, reach, sentence
from daemon.broker_outbox import Outbox, Post
from daemon.clock import wall_s
from daemon.messages import Done, EventMessage, Status, rfc3339, to_json
from daemon.store import JournalError
from daemon.view import BenchView

_EVENTS_AT_ONCE = 20
_READ_AGAIN_S = 1.0
"""After a failed look at the journal, the next one."""
_ANSWERS_KEPT = 256
_FIRST_PAUSE_S = 1.0
_LONGEST_PAUSE_S = 30.0
_LONGEST_OWN_PAUSE_S = 2.0
"""A broker of our own is back in an instant, and asking on the loopback costs nothing."""
_GOODBYE_S = 0.8
_TAKEN_WITH_IT_S = 5.0
"""A broker that dies may take acknowledged events of its last seconds with it: sent again."""
_LIVES = 3
"""So many times at most: a broker that dies all the time must not keep us from what is new."""
_RECENT_KEPT = 256


class EventRow(Protocol):
    """One committed event, as the journal gives it."""

    @property
    def seq(self) -> int:
        """Its number, ascending."""

    @property
    def at(self) -> str:
        """When, as RFC 3339."""

    @property
    def kind(self) -> str:
        """What happened."""

    @property
    def batch(self) -> int | None:
        """To which batch, if to one."""

    @property
    def data(self) -> dict[str, Any]:
        """What belongs to it, ready for JSON."""


class BrokerLink:
    """All that the bench says and hears over MQTT; `show`, `committed`, `answer` never wait."""

    def __init__(
        self,
        endpoint: Endpoint,
        *,
        bench: str,
        version: str,
        events_after: Callable[[int, int], Sequence[EventRow]],
        acked: Callable[[int], None],
        last_acked: int,
        on_do: Callable[[bytes], None],
        inputs: Mapping[str, Callable[[bytes], None]] | None = None,
        wall: Callable[[], float] = wall_s,
    ) -> None:
        """Make a link that `run` brings up.

        `events_after(seq, limit)` reads the journal on a thread, one call at a time; `acked(seq)`
        is told what the broker has, `inputs` are further topics with what hears their payloads,
        `wall` is the wall clock.
        """
        self._endpoint = endpoint
        self._base = topics.base(bench)
        self._version = version
        self._events_after = events_after
        self._tell_acked = acked
        self._acked = self._sent = last_acked
        self._on_do = on_do
        self._inputs = dict(inputs or {})
        self._wall = wall
        # Our own stale connection is pushed out by its name, and nobody can guess it.
        self._name = f"benchpour-{bench}-{secrets.token_hex(6)}"
        self._mqtt5 = endpoint.mqtt5 is not False
        self._mqtt5_open = endpoint.mqtt5 is None
        """Whether it still has to be found out which version the broker speaks."""
        self._outbox = Outbox()
        self._answers: deque[tuple[int, Done]] = deque(maxlen=_ANSWERS_KEPT)
        """Each with the last event that was committed before it."""
        self._committed = self._through = last_acked
        """Up to which event all are safe in the journal, and up to which all have been sent."""
        self._recent: dict[int, tuple[float, int]] = {}
        """Of the last events: when each was acknowledged last, and on which connection first."""
        self._life = 0
        self._lost_s = 0.0
        self._more = True
        self._wake = asyncio.Event()
        self._birth_due = False
        self.connected = False
        self.why = ""
        """One sentence on what is wrong and what to do; empty while nothing is."""

    @property
    def note(self) -> str:
        """One line on the state of the line, for the screen and the doctor."""
        where = self._endpoint.url
        if self.connected:
            return f"MQTT: connected to {where}"
        return f"MQTT: {self.why}" if self.why else f"MQTT: connecting to {where}"

    def show(self, view: BenchView) -> None:
        """Publish the bench as it is now (after the commit of the events behind it)."""
        self._outbox.show(view)
        self._wake.set()

    def committed(self, upto_seq: int) -> None:
        """Publish the events up to this one: they are safe in the journal."""
        self._committed = max(self._committed, upto_seq)
        if upto_seq > self._sent:
            self._more = True
            self._wake.set()

    def answer(self, done: Done) -> None:
        """Publish the answer to a command, after every event that was committed before it."""
        self._answers.append((self._committed, done))
        self._wake.set()

    async def run(self) -> None:
        """Keep the line up for ever; cancelled, says goodbye within a second."""
        pause_s = _FIRST_PAUSE_S
        while True:
            try:
                await self._session()
            except (aiomqtt.MqttError, OSError, RefusedError) as error:
                pause_s = self._lost(error, pause_s)
            await asyncio.sleep(pause_s * random.uniform(0.5, 1.0))
            longest_s = _LONGEST_OWN_PAUSE_S if self._endpoint.own else _LONGEST_PAUSE_S
            pause_s = min(2 * pause_s, longest_s)

    def _lost(self, error: Exception, pause_s: float) -> float:
        """Note what went wrong; returns the pause before the next try, in seconds."""
        was_connected, self.connected = self.connected, False
        if was_connected:
            self._lost_s = asyncio.get_running_loop().time()
        self.why = self._endpoint.trouble() or sentence(error, self._endpoint)
        if isinstance(error, RefusedError):
            return _LONGEST_PAUSE_S
        if was_connected:
            return _FIRST_PAUSE_S
        if self._mqtt5_open and isinstance(error, aiomqtt.MqttError):
            self._mqtt5 = not self._mqtt5
        return pause_s

    async def _session(self) -> None:
        """One connection, from its birth to its end, which raises."""
        await reach(self._endpoint)
        offline = to_json(self._status("offline"))
        will = aiomqtt.Will(self._base + topics.STATUS.name, offline, qos=1, retain=True)
        client = new_client(self._endpoint, self._name, will, mqtt5=self._mqtt5)
        await client.open()
        listening: asyncio.Task[None] | None = None
        try:
            await self._greet(client)
            listening = asyncio.create_task(self._listen(client), name="mqtt-listen")
            await first_of(self._talk(client), listening)
        except asyncio.CancelledError:
            goodbye = asyncio.create_task(self._say_goodbye(client), name="mqtt-goodbye")
            await asyncio.wait({goodbye}, timeout=_GOODBYE_S)
            goodbye.cancel()
            raise
        finally:
            if listening is not None:
                listening.cancel()
            client.drop()

    async def _greet(self, client: LinkClient) -> None:
        """Hear first, then say that we are here: whoever sees `online` may send commands."""
        for topic in (self._base + topics.DO.name, *self._inputs):
            await client.hear(topic)
        await self._say_online(client)
        self._outbox.again()
        self._sent = self._through = self._resend_from()
        self._more = True
        await self._say(client, self._outbox.take(asyncio.get_running_loop().time()))
        # A will of an earlier connection may still come after our birth; then we say it again.
        await client.hear(self._base + topics.STATUS.name)
        self.connected, self.why, self._mqtt5_open = True, "", False

    def _resend_from(self) -> int:
        """What the broker had acknowledged shortly before the line broke may have died with it."""
        since_s = self._lost_s - _TAKEN_WITH_IT_S
        self._life += 1
        self._recent = {
            seq: (at_s, life)
            for seq, (at_s, life) in self._recent.items()
            if at_s >= since_s and self._life - life <= _LIVES
        }
        return min(self._recent, default=self._acked + 1) - 1

    def _note_acked(self, seq: int) -> None:
        _, life = self._recent.pop(seq, (0.0, self._life))
        self._recent[seq] = (asyncio.get_running_loop().time(), life)
        if len(self._recent) > _RECENT_KEPT:
            del self._recent[next(iter(self._recent))]

    async def _listen(self, client: LinkClient) -> None:
        async for message in client.messages:
            payload = message.payload if isinstance(message.payload, bytes) else b""
            self._heard(str(message.topic), payload, retained=bool(message.retain))

    def _heard(self, topic: str, payload: bytes, *, retained: bool) -> None:
        if topic == self._base + topics.STATUS.name:
            if b'"offline"' in payload:
                self._birth_due = True
                self._wake.set()
        elif topic == self._base + topics.DO.name:
            # A command left lying on the broker was meant for another moment.
            if not retained:
                self._on_do(payload)
        elif hears := self._inputs.get(topic):
            hears(payload)

    async def _talk(self, client: LinkClient) -> None:
        """Publish what there is: the events of a command before its answer, however many.

        A picture waits for no backlog of events: it says what is so now.
        """
        loop = asyncio.get_running_loop()
        while True:
            self._wake.clear()
            if self._birth_due:
                await self._say_online(client)
            await self._say_events(client)
            await self._say_answers(client)
            await self._say(client, self._outbox.take(loop.time()))
            await self._nap(loop)

    async def _nap(self, loop: asyncio.AbstractEventLoop) -> None:
        if self._more or self._answer_due():
            return
        wait_s = self._outbox.due_s - loop.time()
        if wait_s <= 0:
            return
        alarm = loop.call_later(wait_s, self._wake.set) if wait_s < float("inf") else None
        try:
            await self._wake.wait()
        finally:
            if alarm is not None:
                alarm.cancel()

    async def _say_online(self, client: LinkClient) -> None:
        self._birth_due = False
        await self._say(client, [Post(topics.STATUS, to_json(self._status("online")))])

    async def _say_events(self, client: LinkClient) -> None:
        """Send committed events in order, each only after the broker has the one before."""
        if not self._more:
            return
        upto, self._more = self._committed, False
        # On a thread: a memory card may take its time, and a cue must not wait for it.
        try:
            rows = await asyncio.to_thread(self._events_after, self._sent, _EVENTS_AT_ONCE)
        except JournalError:
            self._more = True  # the loop says what is wrong with the journal; here they wait for it
            await asyncio.sleep(_READ_AGAIN_S)
            return
        self._more = self._more or len(rows) == _EVENTS_AT_ONCE
        try:
            for row in rows:
                event = EventMessage(
                    seq=row.seq, at=row.at, kind=row.kind, batch=row.batch, data=row.data
                )
                await self._say(client, [Post(topics.EVENT, to_json(event))])
                self._sent = row.seq
                self._note_acked(row.seq)
        finally:
            if self._sent > self._acked:
                self._acked = self._sent
                self._tell_acked(self._acked)
        self._through = self._sent if self._more else max(self._sent, upto)

    def _answer_due(self) -> bool:
        """Whether the oldest answer may go: all events that belong before it have been sent."""
        return bool(self._answers) and self._answers[0][0] <= self._through

    async def _say_answers(self, client: LinkClient) -> None:
        while self._answer_due():
            first = self._answers[0]
            await self._say(client, [Post(topics.DONE, to_json(first[1]))])
            # While we waited, an overflow may have dropped it from the front.
            if self._answers and self._answers[0] is first:
                self._answers.popleft()

    async def _say(self, client: LinkClient, posts: Sequence[Post]) -> None:
        for post in posts:
            topic = post.topic
            await client.say(self._base + topic.name, post.payload, topic.qos, topic.retained)

    async def _say_goodbye(self, client: LinkClient) -> None:
        """Send what is committed and answered as far as the time goes, then that we go."""
        offline = Post(topics.STATUS, to_json(self._status("offline")))
        with contextlib.suppress(aiomqtt.MqttError, OSError, RefusedError):
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_GOODBYE_S / 2):
                    await self._say_the_rest(client)
            await self._say(client, [offline])

    async def _say_the_rest(self, client: LinkClient) -> None:
        self._more = True
        while self._more:
            await self._say_events(client)
        await self._say_answers(client)

    def _status(self, state: str) -> Status:
        return Status.model_validate(
            {"state": state, "version": self._version, "at": rfc3339(self._wall())}
        )


async def first_of(*work: Any) -> None:
    """Run all until the first one ends, then end the others; raises what the first one raised.

    Python 3.11's task group would leave its own task marked as cancelled.
    """
    tasks = [asyncio.ensure_future(one) for one in work]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
