"""The broker's line and the phone's page: started beside a running daemon, and stopped with it.

Owns the wiring of the far outlets only. A broker that cannot be had is said and done without.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.announce import Announcer, Wanted, kept_topics
from daemon.broker import BrokerLink
from daemon.broker_access import Beyond, BrokerError
from daemon.broker_choice import OpenBroker, open_broker, parse_choice
from daemon.effects import Answer
from daemon.journal import EventRow, Journal
from daemon.messages import done_of
from daemon.pairing import CodeState
from daemon.store import JournalError
from daemon.version import VERSION

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.page import Page
    from daemon.run import Running

ACKED = "mqtt.acked"
"""Under this name the journal keeps the last event that the broker has acknowledged."""

ANNOUNCED = "mqtt.announced"
"""Under this name it keeps which topics dashboards were told on, so that they can be removed."""

NEWS_EVERY_S = 1.0


def load(config: Config) -> None:
    """Load what the outlets of these settings need, which takes a while."""
    names = {
        "daemon.commands": True,
        "daemon.page": not config.phone.off,
        "daemon.pairing_store": not config.phone.off,
        "daemon.broker_embedded": config.broker.url == "embedded",
    }
    for name, wanted in names.items():
        if wanted:
            with contextlib.suppress(ImportError):  # whoever needs it says so
                importlib.import_module(name)


async def serve_outlets(running: Running) -> None:
    """Have broker and page until cancelled; trouble is told to the person, never raised."""
    async with asyncio.TaskGroup() as group:
        broker = running.spared("The line to the broker", _have_broker(running))
        group.create_task(broker, name="broker")
        if not running.options.config.phone.off:
            page = running.spared("The phone's page", _have_page(running))
            group.create_task(page, name="page")
        else:
            running.asks["phone"] = _no_page


async def _no_page(_request: dict[str, Any]) -> dict[str, Any]:
    """What `benchpour phone` is told while there is no page."""
    why = (
        "There is no phone page: it is off in the settings ([phone] off), or its port is not free."
    )
    return {"ok": False, "error": why, "page": False}


async def _have_page(running: Running) -> None:
    from daemon.page import Page, PageError
    from daemon.page_tls import TlsError, tls_of
    from daemon.pairing_store import Pairing

    config = running.options.config
    try:
        page = Page(
            config.phone,
            Pairing(running.store),
            lambda: running.endpoint,
            running.health,
            config.bench,
            tls=tls_of(config.phone),
        )
        async with page.serve():
            running.page = page
            running.asks["phone"] = lambda request: _asked_of_page(running, page, request)
            running.said.say(f"The phone's page is at {page.url}.")
            await asyncio.Event().wait()
    except (PageError, TlsError) as error:
        running.said.say(str(error))
        running.phone_note = "phone: off"
        running.asks["phone"] = _no_page


async def _asked_of_page(running: Running, page: Page, request: dict[str, Any]) -> dict[str, Any]:
    """What `benchpour phone` asks; the bench's own screen shows what comes of it."""
    found = await page.handle_phone(request)
    if found.get("url"):
        running.said.say("A phone may be paired now.")
    elif found.get("state") == CodeState.USED:
        running.said.say(f"Paired: {found['name']}.")
    return found


async def _have_broker(running: Running) -> None:
    config = running.options.config
    password_file, ca_file = config.broker.password_file, config.broker.ca_file
    try:
        choice = parse_choice(
            config.broker.url,
            password_file=Path(password_file) if password_file else None,
            ca_file=Path(ca_file) if ca_file else None,
        )
        for warning in choice.warnings:
            running.said.say(warning)
        async with open_broker(choice, store=running.store, beyond=_beyond(config)) as broker:
            if broker is None:
                running.broker_note = "MQTT: none"
                return
            await _serve(running, broker)
    except BrokerError as error:
        running.broker_note = f"MQTT: {error}"
        running.said.say(str(error))


def _beyond(config: Config) -> Beyond:
    """What a broker of our own has to let through beside the bench's own topics."""
    ambient = config.inputs.ambient_topic
    wanted = _wanted(config)
    return Beyond(((ambient,) if ambient else ()) + wanted.hears(config.bench), wanted.tells())


def _wanted(config: Config) -> Wanted:
    told = config.announce
    return Wanted(told.homie, told.homie_do, told.discovery_prefix)


async def _serve(running: Running, broker: OpenBroker) -> None:
    for warning in broker.warnings:
        running.said.say(warning)
    running.broker_note = broker.note
    running.endpoint = broker.endpoint
    events = CommittedEvents(running.store)
    link = _link(running, broker, events)
    running.link = link
    running.loop.far.append(link)
    link.show(running.loop.view)
    try:
        async with asyncio.TaskGroup() as group:
            group.create_task(link.run(), name="link")
            group.create_task(_tell_news(running, link), name="news")
            announcing = running.spared("Announcing to dashboards", _announce(running, broker))
            group.create_task(announcing, name="announce")
    finally:
        events.close()
        running.link = running.endpoint = None
        running.broker_note = "MQTT: off"
        with contextlib.suppress(ValueError):  # the loop leaves out what fails
            running.loop.far.remove(link)


async def _tell_news(running: Running, link: BrokerLink) -> None:
    """Say when the line comes up, and why when it does not."""
    told = (False, "")
    while True:
        now = (link.connected, link.why)
        if now != told and any(now):
            running.said.say(link.note)
        told = now
        await asyncio.sleep(NEWS_EVERY_S)


class CommittedEvents:
    """Reads the journal beside the daemon's writing: waits for no commit, sees none too early."""

    def __init__(self, store: Path) -> None:
        """Nothing is opened before the first question."""
        self._store = store
        self._journal: Journal | None = None
        self._one_at_a_time = threading.Lock()

    def after(self, seq: int, limit: int) -> list[EventRow]:
        """The next events after `seq`, in order; to be asked on a thread."""
        with self._one_at_a_time:
            if self._journal is None:
                self._journal = Journal(self._store, write=False)
            try:
                return self._journal.events_after(seq, limit)
            except JournalError:
                self._journal.close()
                self._journal = None  # the next question opens it anew
                raise

    def close(self) -> None:
        """Let go of the journal."""
        with self._one_at_a_time:
            if self._journal is not None:
                self._journal.close()
                self._journal = None


def _link(running: Running, broker: OpenBroker, events: CommittedEvents) -> BrokerLink:
    journal = running.journal
    link_of: dict[str, BrokerLink] = {}

    def heard(payload: bytes) -> None:
        def reply(answer: Answer) -> None:
            link_of["it"].answer(done_of(answer))

        running.commander.heard(payload, "mqtt", reply)

    def acked(seq: int) -> None:
        running.loop.note_meta(ACKED, str(seq))

    topic = running.options.config.inputs.ambient_topic
    link = BrokerLink(
        broker.endpoint,
        bench=running.options.config.bench,
        version=VERSION,
        events_after=events.after,
        acked=acked,
        last_acked=int(journal.meta(ACKED) or 0),
        on_do=heard,
        inputs={topic: lambda payload: _ambient(running, payload)} if topic else {},
    )
    link_of["it"] = link
    return link


async def _announce(running: Running, broker: OpenBroker) -> None:
    """Have dashboards find the bench, as far as that is switched on; it ends where it is not."""
    config, journal = running.options.config, running.journal
    announcer = Announcer(
        broker.endpoint,
        _wanted(config),
        bench=config.bench,
        version=VERSION,
        before=kept_topics(journal.meta(ANNOUNCED)),
        keep=lambda text: running.loop.note_meta(ANNOUNCED, text),
        say=running.said.say,
        on_next=lambda: _next(running),
    )
    running.loop.far.append(announcer)
    announcer.show(running.loop.view)
    await announcer.run()


def _next(running: Running) -> None:
    """A dashboard asks for what is due."""
    running.commander.heard({"id": "homie", "do": "next"}, "homie", lambda _answer: None)


def _ambient(running: Running, payload: bytes) -> None:
    """A thermometer's topic: a bare number, in Celsius."""
    try:
        celsius = float(payload.decode("ascii"))
    except ValueError:
        return
    do = {"id": "ambient", "do": "ambient", "celsius": celsius, "of": "room"}
    running.commander.heard(do, "ambient", lambda _answer: None)
