"""Who may come in by phone: codes, tokens, names, roles and their limits.

Owns the rules, as plain values and functions. Knows no clock, no file, no socket and no source of
chance: time and random bytes are handed in.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import unicodedata
from dataclasses import dataclass, replace
from enum import StrEnum

ALPHABET = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
"""32 symbols that are not taken for one another: no I, O, 0, 1."""

CODE_SYMBOLS = 8
CODE_LIVES_S = 300.0
CODE_TRIES = 5
"""With 40 bits a guess among so few tries hits once in 2 x 10^11 codes (RFC 8628, 5.1 and 6.1,
reasons alike about codes that a person types)."""

CODE_BYTES = 5
TOKEN_BYTES = 32
MOST_PHONES = 32
MOST_NAME_CHARS = 32


class PhoneRole(StrEnum):
    """What a phone may do: look on, or also give commands."""

    WATCH = "watch"
    CONTROL = "control"


class PairingError(Exception):
    """The phone is not paired; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Phone:
    """A paired phone. Of its token only the digest is known."""

    name: str
    role: PhoneRole
    digest: str
    paired_at: str
    """RFC 3339, UTC."""


@dataclass(frozen=True, slots=True)
class Book:
    """All paired phones, and whether pairing one has opened the page to the network."""

    phones: tuple[Phone, ...] = ()
    opened: bool = False

    @property
    def open_to_network(self) -> bool:
        """Whether it was opened for a paired phone: a code that ended keeps nothing open."""
        return self.opened and bool(self.phones)

    def named(self, name: str) -> Phone | None:
        """Return the phone of that name; names differ by more than case."""
        wanted = name.casefold()
        return next((phone for phone in self.phones if phone.name.casefold() == wanted), None)

    def admitted(self, name: str, token: str) -> Phone | None:
        """Return the phone if name and token belong together."""
        phone = next((phone for phone in self.phones if phone.name == name), None)
        known = phone.digest if phone is not None else digest("")
        same = hmac.compare_digest(known, digest(token))
        return phone if same and phone is not None else None

    def with_phone(self, phone: Phone) -> Book:
        """Return the book with one phone more."""
        return replace(self, phones=(*self.phones, phone))

    def without(self, name: str) -> Book:
        """Return the book without that phone; without any the network is shut out again."""
        gone = self.named(name)
        left = tuple(phone for phone in self.phones if phone is not gone)
        return Book(left, self.opened and bool(left))


class CodeState(StrEnum):
    """What became of a code."""

    OPEN = "open"
    USED = "used"
    LATE = "late"
    GUESSED = "guessed"
    """Ended by wrong tries."""
    REPLACED = "replaced"


@dataclass(frozen=True, slots=True)
class Code:
    """A one-time code. `paired` names the phone that used it."""

    text: str
    role: PhoneRole
    ends_s: float
    wrong: int = 0
    state: CodeState = CodeState.OPEN
    paired: str = ""

    def at(self, now_s: float) -> Code:
        """Return the code as it stands at that time, in seconds on the clock of `ends_s`."""
        late = self.state is CodeState.OPEN and now_s >= self.ends_s
        return replace(self, state=CodeState.LATE) if late else self

    def tried(self, text: str) -> tuple[Code, bool]:
        """Return the code after a try, and whether the try was right. An ended code never is."""
        if self.state is not CodeState.OPEN:
            return self, False
        if hmac.compare_digest(self.text.encode(), tidy_code(text).encode()):
            return self, True
        wrong = self.wrong + 1
        state = CodeState.GUESSED if wrong >= CODE_TRIES else CodeState.OPEN
        return replace(self, wrong=wrong, state=state), False

    def used_by(self, name: str) -> Code:
        """Return the code after a phone was paired with it."""
        return replace(self, state=CodeState.USED, paired=name)


@dataclass(frozen=True, slots=True)
class Invitation:
    """A phone may be paired now: a QR code as lines of blocks, the address, the code to type."""

    qr: tuple[str, ...]
    address: str
    code: str


def new_code(chance: bytes, role: PhoneRole, now_s: float) -> Code:
    """Make a code of CODE_BYTES random bytes: five bits a symbol."""
    number = int.from_bytes(chance[:CODE_BYTES], "big")
    symbols = [ALPHABET[number >> 5 * place & 31] for place in reversed(range(CODE_SYMBOLS))]
    return Code("".join(symbols), role, now_s + CODE_LIVES_S)


def spaced(code: str) -> str:
    """Write a code as it is read aloud and typed: two groups of four."""
    return f"{code[:4]}-{code[4:]}"


def tidy_code(text: str) -> str:
    """Read a code as people type it: case, blanks and hyphens do not matter."""
    return re.sub(r"[\s-]", "", text[:64]).upper()


def tidy_name(text: str) -> str:
    """Return a phone's name: one line of 1 to 32 characters. Raises PairingError."""
    name = " ".join(unicodedata.normalize("NFC", text[:256]).split())
    if not name:
        raise PairingError("Give this phone a name, such as: bench phone.")
    if len(name) > MOST_NAME_CHARS:
        raise PairingError(f"The name is too long: {MOST_NAME_CHARS} characters at the most.")
    if any(unicodedata.category(char).startswith("C") for char in name):
        raise PairingError("The name has characters in it that cannot be shown; type another.")
    return name


def free_name(book: Book, text: str) -> str:
    """Return a tidy name that no other phone has. Raises PairingError."""
    name = tidy_name(text)
    if book.named(name) is not None:
        raise PairingError(f"There is a phone called {name} already; type another name.")
    if len(book.phones) >= MOST_PHONES:
        raise PairingError(
            f"{MOST_PHONES} phones are paired, the most there may be; forget one first: "
            "benchpour phone forget NAME."
        )
    return name


def token_of(chance: bytes) -> str:
    """Write TOKEN_BYTES random bytes as a token: 256 bits in 43 characters."""
    return base64.urlsafe_b64encode(chance[:TOKEN_BYTES]).rstrip(b"=").decode()


def digest(token: str) -> str:
    """Return what is kept of a token: with 256 random bits a plain hash cannot be turned back."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
