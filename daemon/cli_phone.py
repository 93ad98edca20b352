"""`phone pair`, `phone list`, `phone forget`: which phones may see and command the bench.

Owns what is printed. The running daemon does the work; without one, list and forget use its file.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from daemon.control import ControlError, ask
from daemon.pairing import PairingError
from daemon.pairing_store import load_book, save_book

_BECAME = {
    "late": "The code has ended: five minutes are over. Run benchpour phone pair again.",
    "guessed": (
        "The code has ended after five wrong tries. If it was not you who typed them, somebody on "
        "the network tries to get in. Run benchpour phone pair again."
    ),
    "replaced": "Another code was opened meanwhile; this one has ended.",
}


class PhoneError(Exception):
    """The command did not work; the text says why and what to do."""


class NoPageError(PhoneError):
    """A daemon runs, but without the page, so that nobody else has the list in hand."""


def add_parsers(commands: Any, common: argparse.ArgumentParser) -> None:
    """Add these commands."""
    phone = commands.add_parser(
        "phone",
        help="pair a phone with the bench, list the paired ones, forget one",
        epilog="example: benchpour phone pair --role watch",
    )
    phone.set_defaults(run=lambda args: phone.print_help() or 2)
    kinds = phone.add_subparsers(title="commands", metavar="COMMAND")
    pair = kinds.add_parser(
        "pair",
        parents=[common],
        help="show a QR code and a one-time code, and wait for the phone",
        epilog="example: benchpour phone pair --role watch",
    )
    pair.add_argument(
        "--role",
        choices=("control", "watch"),
        default="control",
        help="control may also give commands (default), watch only looks on",
    )
    pair.set_defaults(run=_pair)
    listed = kinds.add_parser(
        "list",
        parents=[common],
        help="the paired phones",
        epilog="example: benchpour phone list --json",
    )
    listed.add_argument("--json", action="store_true", help="one object a line")
    listed.set_defaults(run=_list)
    forget = kinds.add_parser(
        "forget",
        parents=[common],
        help="let a phone in no more; it is cut off at once",
        epilog='example: benchpour phone forget "bench phone"',
    )
    forget.add_argument("name", metavar="NAME", help="as phone list shows it")
    forget.set_defaults(run=_forget)


def _folder(args: argparse.Namespace) -> Path:
    if args.store:
        return Path(args.store)
    from daemon.config import load_config

    return load_config(Path(args.config) if args.config else None).store_dir


def _asked(folder: Path, request: dict[str, Any]) -> dict[str, Any]:
    """The daemon's answer. Raises PhoneError where it says no, ControlError where none runs."""
    found = ask(folder, request, timeout_s=15.0)
    if found.get("page") is False:
        raise NoPageError(str(found["error"]))
    if found.get("ok") is not True:
        raise PhoneError(str(found.get("error") or "The daemon does not do that."))
    return found


def _pair(args: argparse.Namespace) -> int:
    from daemon.page_qr import qr_lines

    folder = _folder(args)
    found = _asked(folder, {"phone": "pair", "role": args.role})
    # Said in so many words, so that it is dark on light on a light terminal as well.
    on, off = ("\033[97;40m", "\033[0m") if sys.stdout.isatty() else ("", "")
    for line in qr_lines(found["url"]):
        print(f"{on}{line}{off}")
    may = "see and command" if args.role == "control" else "see, not command,"
    print(f"Point the phone's camera at it, or open {found['url'].partition('#')[0]} and type")
    print(f"  {found['code']}")
    print(f"within {found['seconds'] // 60} minutes. The phone may then {may} the bench.")
    if found["opened"]:
        print("The page can now be reached from the network, until the last phone is forgotten.")
    if found["url"].startswith("http:"):
        print("It is plain http: whoever listens on this network can read along.")
    return _wait(folder, found["code"])


def _wait(folder: Path, code: str) -> int:
    """Wait for the phone; whoever does not want to wait ends the command, and the code stays."""
    sys.stdout.flush()
    while True:
        found = _asked(folder, {"phone": "waited", "code": code})
        if found["state"] == "used":
            print(f"Paired: {found['name']}.")
            return 0
        if found["over"]:
            raise PhoneError(_BECAME[found["state"]])


def _list(args: argparse.Namespace) -> int:
    folder = _folder(args)
    try:
        phones = _asked(folder, {"phone": "list"})["phones"]
    except (ControlError, NoPageError):
        phones = [
            {"name": p.name, "role": p.role.value, "paired_at": p.paired_at, "connected": False}
            for p in load_book(folder).phones
        ]
    if args.json:
        for one in phones:
            print(json.dumps(one, ensure_ascii=False))
        return 0
    if not phones:
        print("No phone is paired. Run benchpour phone pair while the daemon runs.")
    for one in phones:
        here = "connected" if one["connected"] else "away"
        print(f"{one['name']:<32}  {one['role']:<7}  {here:<9}  paired {one['paired_at']}")
    return 0


def _forget(args: argparse.Namespace) -> int:
    folder = _folder(args)
    try:
        _asked(folder, {"phone": "forget", "name": args.name})
    except (ControlError, NoPageError):
        book = load_book(folder)
        if book.named(args.name) is None:
            raise PairingError(f"No paired phone is called {args.name}.") from None
        save_book(folder, book.without(args.name))
    print(f"{args.name} is forgotten and was cut off.")
    return 0
