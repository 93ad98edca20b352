"""The paired phones of a store: one small file, and the one code that may be open.

Owns the file (mode 0600, digests of tokens, never a token) and the waiting for a code to be used.
Knows the rules from `pairing`; knows no socket and no page.
"""

from __future__ import annotations

import asyncio
import json
import os
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from daemon.clock import Clock, Ticks
from daemon.messages import rfc3339
from daemon.pairing import (
    CODE_BYTES,
    TOKEN_BYTES,
    Book,
    Code,
    CodeState,
    PairingError,
    Phone,
    PhoneRole,
    digest,
    free_name,
    new_code,
    token_of,
)

FILE_NAME = "phones.json"
_FORM = 1
WRONG_CODE = "That code is not right, or it has ended. A fresh one comes by: benchpour phone pair"


@dataclass(frozen=True, slots=True)
class Paired:
    """A phone that has just been paired. The token is told once, to the phone, and kept nowhere."""

    name: str
    role: PhoneRole
    token: str = field(repr=False)


def load_book(folder: Path) -> Book:
    """Read the paired phones of a store; none where there is no file. Raises PairingError."""
    path = folder / FILE_NAME
    try:
        return _book(json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        return Book()
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        raise PairingError(
            f"The list of paired phones {path} cannot be read, so none is let in. "
            "Move the file away and pair the phones again."
        ) from None


def _book(found: dict[str, Any]) -> Book:
    if found["benchpour_phones"] != _FORM:
        raise ValueError("another form")
    phones = tuple(
        Phone(str(one["name"]), PhoneRole(one["role"]), str(one["digest"]), str(one["paired_at"]))
        for one in found["phones"]
    )
    return Book(phones, bool(found["opened"]))


def save_book(folder: Path, book: Book) -> None:
    """Write the list so that it is whole, the old or the new one, whatever happens meanwhile.

    Raises PairingError.
    """
    phones = [
        {"name": p.name, "role": p.role.value, "digest": p.digest, "paired_at": p.paired_at}
        for p in book.phones
    ]
    text = json.dumps(
        {"benchpour_phones": _FORM, "opened": book.opened, "phones": phones},
        ensure_ascii=False,
        indent=1,
    )
    path = folder / FILE_NAME
    fresh = path.with_suffix(".new")
    try:
        fresh.unlink(missing_ok=True)
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    except OSError as error:
        raise PairingError(
            f"The list of paired phones {path} cannot be written ({error.strerror}); nothing was "
            "changed. Free some space there, then try again."
        ) from None


class Pairing:
    """The phones of one store and the code that is open, for as long as the daemon runs."""

    def __init__(self, folder: Path, clock: Ticks | None = None) -> None:
        """Read the store's file.

        Where the file cannot be read, nobody is let in or paired; `trouble` says so.
        """
        self._folder = folder
        self._clock = clock or Clock()
        self._code: Code | None = None
        self._changed = asyncio.Condition()
        self._writing = asyncio.Lock()
        self.on_forget: Callable[[str], None] = lambda _name: None
        """Told the name of each phone that is forgotten, at once."""
        self.trouble = ""
        self.book = Book()
        try:
            self.book = load_book(folder)
        except PairingError as error:
            self.trouble = str(error)

    def admitted(self, name: str, token: str) -> Phone | None:
        """Return the phone if name and token belong together."""
        return self.book.admitted(name, token)

    async def open_code(self, role: PhoneRole) -> Code:
        """Open a fresh code; an earlier one ends. Raises PairingError."""
        if self.trouble:
            raise PairingError(self.trouble)
        # Not while a phone is being paired: that would end the fresh code in place of its own.
        async with self._writing:
            code = new_code(secrets.token_bytes(CODE_BYTES), role, self._clock.now_s())
            await self._put(code)
            return code

    def code(self) -> Code | None:
        """Return the last code as it stands now."""
        return self._code.at(self._clock.now_s()) if self._code is not None else None

    def seconds_left(self) -> float:
        """How long the open code still lives; 0 where none is open."""
        code = self.code()
        if code is None or code.state is not CodeState.OPEN:
            return 0.0
        return code.ends_s - self._clock.now_s()

    async def became_of(self, text: str, within_s: float) -> Code | None:
        """Wait until that code is no longer open, at most so long; None for a code unknown here."""
        try:
            async with asyncio.timeout(within_s), self._changed:
                while (code := self.code()) and code.text == text and code.state is CodeState.OPEN:
                    await self._changed.wait()
        except TimeoutError:
            code = self.code()
        if code is None or code.text == text:
            return code
        return Code(text, code.role, 0.0, state=CodeState.REPLACED)

    async def pair(self, text: str, name: str) -> Paired:
        """Pair a phone by its code: a right one is used up once the phone is written down.

        Raises PairingError.
        """
        async with self._writing:
            code = self.code()
            tried, right = code.tried(text) if code is not None else (None, False)
            if code is None or tried is None or not right:
                if tried is not None and tried is not code:
                    await self._put(tried)
                raise PairingError(WRONG_CODE)
            free = free_name(self.book, name)
            token = token_of(secrets.token_bytes(TOKEN_BYTES))
            phone = Phone(free, code.role, digest(token), self._now())
            await self._keep(self.book.with_phone(phone))
            await self._put(code.used_by(free))
            return Paired(free, code.role, token)

    async def forget(self, name: str) -> bool:
        """Forget a phone; it is cut off even before that is written. False where none is so called.

        Raises PairingError where it cannot be written: then it would be let in after a restart.
        """
        async with self._writing:
            phone = self.book.named(name)
            if phone is None:
                return False
            self.book = self.book.without(phone.name)
            self.on_forget(phone.name)
            await self._keep(self.book)
            return True

    async def remember_opened(self) -> None:
        """Note that the page was opened to the network for a phone. Raises PairingError."""
        async with self._writing:
            await self._keep(replace(self.book, opened=True))

    def _now(self) -> str:
        return rfc3339(self._clock.now_s() + self._clock.wall_offset_us() / 1e6)

    async def _keep(self, book: Book) -> None:
        """Write on a thread: a memory card may take its time, and a cue must not wait for it."""
        await asyncio.to_thread(save_book, self._folder, book)
        self.book = book

    async def _put(self, code: Code) -> None:
        async with self._changed:
            self._code = code
            self._changed.notify_all()
