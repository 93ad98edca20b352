"""The control socket: other benchpour commands talk to the daemon that runs on their store.

Owns the socket file (mode 0600, in the store) and its lines of JSON, one request and one answer
each. Knows nothing of what a request means.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

NAME = "control"
MAX_LINE = 1 << 20
ANSWER_S = 10.0

Handle = Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]


async def not_yet(_request: dict[str, Any]) -> dict[str, Any]:
    """Answer for a part of the daemon that is still starting."""
    return {"ok": False, "error": "The daemon is just starting; try again in a moment."}


class ControlError(Exception):
    """The daemon on this store cannot be talked to; the text says why."""


@contextlib.contextmanager
def _short_path(folder: Path) -> Iterator[str]:
    """A path to the socket that fits the 107 bytes a socket address may have, however deep."""
    fd = os.open(folder, os.O_PATH | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{fd}/{NAME}"
    finally:
        os.close(fd)


@contextlib.asynccontextmanager
async def serve(folder: Path, handle: Handle) -> AsyncIterator[None]:
    """Answer requests on the store's socket while the context lasts."""
    (folder / NAME).unlink(missing_ok=True)
    open_lines: set[asyncio.Task[None]] = set()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        open_lines.add(task)
        try:
            await _talk(reader, writer, handle)
        except asyncio.CancelledError:
            pass  # the daemon ends; the other side sees the line close
        finally:
            open_lines.discard(task)
            writer.close()

    before = os.umask(0o177)
    try:
        with _short_path(folder) as path:
            server = await asyncio.start_unix_server(talk, path, limit=MAX_LINE)
    finally:
        os.umask(before)
    try:
        yield
    finally:
        server.close()
        for task in open_lines:
            task.cancel()
        (folder / NAME).unlink(missing_ok=True)


async def _talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, handle: Handle) -> None:
    with contextlib.suppress(ConnectionError, asyncio.LimitOverrunError, ValueError):
        while line := await reader.readline():
            try:
                request = json.loads(line)
            except ValueError:
                request = None
            if isinstance(request, dict):
                answer = await _answered(request, handle)
            else:
                answer = {"ok": False, "error": "A request is one line with one JSON object."}
            writer.write(json.dumps(answer, ensure_ascii=False).encode() + b"\n")
            await writer.drain()


async def _answered(request: dict[str, Any], handle: Handle) -> dict[str, Any]:
    """What the daemon answers; a request that makes it stumble has one too."""
    try:
        return await handle(request)
    except Exception as error:
        what = " ".join(f"{type(error).__name__}: {error}".split())[:200]
        return {"ok": False, "error": f"This request is not understood ({what})."}


def ask(folder: Path, request: dict[str, Any], timeout_s: float = ANSWER_S) -> dict[str, Any]:
    """The running daemon's answer. Raises ControlError where none runs or it does not answer."""
    try:
        with _short_path(folder) as path, socket.socket(socket.AF_UNIX) as line:
            line.settimeout(timeout_s)
            line.connect(path)
            line.sendall(json.dumps(request, ensure_ascii=False).encode() + b"\n")
            with line.makefile("rb") as answers:
                found = json.loads(answers.readline(MAX_LINE))
    except (FileNotFoundError, ConnectionRefusedError):
        raise ControlError(
            f"No daemon runs on the store {folder}. Start one with `benchpour run`."
        ) from None
    except (OSError, ValueError) as error:
        raise ControlError(f"The daemon on {folder} does not answer ({error}).") from None
    if not isinstance(found, dict):
        raise ControlError(f"The daemon on {folder} does not answer in a form known here.")
    return found
