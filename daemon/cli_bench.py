"""`hand`, `topics`, `schema`, `doctor`: what is known of the bench, and whether it is well.

Owns the arguments of these commands and what they print.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.hand import Hand


class HandError(Exception):
    """What was to be forgotten is not there; the text says what is."""


def add_parsers(commands: Any, common: argparse.ArgumentParser) -> None:
    """Add these commands."""
    _add_hand(commands, common)
    topics = commands.add_parser(
        "topics",
        parents=[common],
        help="the MQTT topics of this bench, for typing into a dashboard",
        epilog="example: benchpour topics",
    )
    _json_option(topics)
    topics.set_defaults(run=_topics)
    schema = commands.add_parser(
        "schema",
        parents=[common],
        help="the MQTT interface as an AsyncAPI document",
        epilog="example: benchpour schema > bench.asyncapi.json",
    )
    schema.set_defaults(run=_schema)
    doctor = commands.add_parser(
        "doctor",
        parents=[common],
        help="look at configuration, port, broker, sound, store and clock",
        epilog="example: benchpour doctor --scale /dev/ttyUSB0",
    )
    doctor.add_argument("--scale", metavar="URL", help="a device path or any pyserial URL")
    doctor.add_argument("--profile", metavar="NAME-or-FILE", help="how its lines read")
    doctor.add_argument("--broker", metavar="WHICH", help="auto, embedded, none or an mqtt URL")
    doctor.add_argument("--sound", metavar="TO", help="auto, bell, none or file:PATH.wav")
    _json_option(doctor)
    doctor.set_defaults(run=_doctor)


def _add_hand(commands: Any, common: argparse.ArgumentParser) -> None:
    hand = commands.add_parser(
        "hand",
        help="what has been learned of a person and this scale",
        epilog="example: benchpour hand show",
    )
    which = hand.add_subparsers(title="commands", metavar="COMMAND", required=True)
    show = which.add_parser(
        "show",
        parents=[common],
        help="lead, spread, and from how many pours",
        epilog="example: benchpour hand show --json",
    )
    _json_option(show)
    show.set_defaults(run=_show)
    forget = which.add_parser(
        "forget",
        parents=[common],
        help="begin anew: with a new scale, a new spout, another person",
        epilog="example: benchpour hand forget kim",
    )
    forget.add_argument("name", nargs="?", metavar="NAME", help="a person or a hand; default: all")
    forget.set_defaults(run=_forget)


def _json_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def _settings(args: argparse.Namespace) -> Config:
    from daemon.cli_run import settings

    return settings(args)


# -- hand --------------------------------------------------------------------------------------


def _hands(config: Config) -> dict[str, Hand]:
    from daemon.offline import look

    return dict(look(config.store_dir).engine.bench.hands)


def _show(args: argparse.Namespace) -> int:
    from daemon.hand import describe

    hands = _hands(_settings(args))
    for key, hand in hands.items():
        print(json.dumps(_row(key, hand)) if args.json else f"{key}: {describe(hand)}")
    if not hands and not args.json:
        print("Nothing has been learned yet; every landing teaches something.")
    return 0


def _row(key: str, hand: Hand) -> dict[str, Any]:
    person, _, scale = key.rpartition(" on ")
    parts = [
        {
            "part": bottle.part,
            "ease_s": round(bottle.ease_lead_s, 3),
            "trickle_g_per_s": round(bottle.trickle_g_per_s, 3),
            "pours": bottle.pours,
        }
        for bottle in hand.bottles
    ]
    return {
        "hand": key,
        "person": person,
        "scale": scale,
        "lead_s": round(hand.lead_s, 4),
        "spread_s": round(hand.spread_s, 4),
        "drip_g": round(hand.drip_g, 4),
        "landings": hand.count,
        "parts": parts,
    }


def _forget(args: argparse.Namespace) -> int:
    from daemon.offline import tell

    config = _settings(args)
    before = _hands(config)
    do = {"do": "forget-hand"} | ({"name": args.name} if args.name else {})
    answer = tell(config.store_dir, do, "hand forget")
    if not answer.ok:
        known = ", ".join(before) or "none"
        raise HandError(f"{answer.error} Known are: {known}.")
    for key in before.keys() - _hands(config).keys():
        print(f"Forgotten: {key}.")
    return 0


# -- topics and schema -------------------------------------------------------------------------


def _topics(args: argparse.Namespace) -> int:
    from daemon.topics import topics_json, topics_text

    config = _settings(args)
    if args.json:
        for row in topics_json(config.bench):
            print(json.dumps(row))
        return 0
    print(topics_text(config.bench))
    for line in _ways_in(config):
        print(line)
    return 0


def _ways_in(config: Config) -> list[str]:
    """How another program gets at the topics."""
    from daemon.broker_access import LOCAL_FILE, local_url
    from daemon.config import masked
    from daemon.topics import DO, base

    url = config.broker.url
    if url == "none":
        return ["", "No broker is used (broker.url is none)."]
    if "://" in url:
        return ["", f"The broker is {masked(url)}."]
    if local_url(config.store_dir) is None:
        return ["", "The broker runs as long as `benchpour run` does."]
    file = config.store_dir / LOCAL_FILE
    do = base(config.bench) + DO.name
    return [
        "",
        "On this machine reading needs no password. To send a command:",
        f"""  mosquitto_pub -L "$(cat {file})/{do}" -m '{{"id": "1", "do": "next"}}'""",
    ]


def _schema(args: argparse.Namespace) -> int:
    from daemon.schema import asyncapi

    print(json.dumps(asyncapi(_settings(args).bench), indent=2))
    return 0


# -- doctor ------------------------------------------------------------------------------------


def _doctor(args: argparse.Namespace) -> int:
    from daemon.doctor import examine

    options = {
        "scale.url": args.scale,
        "scale.profile": args.profile,
        "broker.url": args.broker,
        "sound.to": args.sound,
        "store.dir": args.store,
    }
    well = True
    for finding in examine(Path(args.config) if args.config else None, options):
        well = well and finding.ok
        row = {"check": finding.check, "ok": finding.ok, "said": finding.said, "do": finding.do}
        print(json.dumps(row) if args.json else finding.line, flush=True)
    return 0 if well else 1
