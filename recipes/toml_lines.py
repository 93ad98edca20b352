"""Where each key stands in a TOML text: a path to its line.

Owns a scanner for text that is known to be valid TOML, since the reader of the standard library
tells no lines. Knows nothing of what the keys mean, and checks nothing.
"""

from __future__ import annotations

import contextlib
import re
import tomllib
from collections.abc import Iterable

KeyPath = tuple[str | int, ...]
"""A key's way from the top: names of tables and keys, indices of array elements from 0."""


def key_lines(text: str) -> dict[KeyPath, int]:
    """The line of every key, table and array element of a text that is valid TOML.

    What is nested deeper than a person would write is left out.
    """
    scan = _Scan(text)
    with contextlib.suppress(RecursionError):
        scan.run()
    return scan.lines


class _Scan:
    """Walks a valid TOML text once and notes the line at which each path first appears."""

    _bare = re.compile(r"[A-Za-z0-9_-]+")
    _blank = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
    _space = re.compile(r"[ \t]*")
    _plain_value = re.compile(r"[^,\]}#\n]*")

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.lines: dict[KeyPath, int] = {(): 1}
        self.counts: dict[KeyPath, int] = {}

    def run(self) -> None:
        table: KeyPath = ()
        self._past(self._blank)
        while self.at < len(self.text):
            if self._next("[["):
                table = self._array_table()
                self._next("]]")
            elif self._next("["):
                table = self._resolve((), self._dotted())
                self._next("]")
            else:
                self._pair(table)
            self._past(self._blank)

    def _array_table(self) -> KeyPath:
        *parents, last = self._dotted()
        path = (*self._resolve((), parents), last)
        self.counts[path] = self.counts.get(path, 0) + 1
        self.lines.setdefault(path, self.line)
        element = (*path, self.counts[path] - 1)
        self.lines[element] = self.line
        return element

    def _resolve(self, table: KeyPath, keys: Iterable[str]) -> KeyPath:
        """The path of dotted keys under a table; a key that is an array means its last element."""
        path = table
        for key in keys:
            path = (*path, key)
            self.lines.setdefault(path, self.line)
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        return path

    def _pair(self, table: KeyPath) -> None:
        path = self._resolve(table, self._dotted())
        self._past(self._space)
        self._next("=")
        self._value(path)

    def _dotted(self) -> list[str]:
        keys = []
        while True:
            self._past(self._space)
            keys.append(self._key())
            self._past(self._space)
            if not self._next("."):
                return keys

    def _key(self) -> str:
        if self.text[self.at] in "\"'":
            quoted = self._string()
            return str(tomllib.loads(f"k = {quoted}")["k"])
        return self._past(self._bare)

    def _value(self, path: KeyPath) -> None:
        self._past(self._space)
        if self._next("{"):
            self._inline_table(path)
        elif self._next("["):
            self._array(path)
        elif self.text[self.at] in "\"'":
            self._string()
        else:
            self._past(self._plain_value)

    def _inline_table(self, path: KeyPath) -> None:
        while True:
            self._past(self._blank)
            if self._next("}"):
                return
            self._pair(path)
            self._past(self._blank)
            self._next(",")

    def _array(self, path: KeyPath) -> None:
        index = 0
        while True:
            self._past(self._blank)
            if self._next("]"):
                return
            self.lines[*path, index] = self.line
            self._value((*path, index))
            index += 1
            self._past(self._blank)
            self._next(",")

    def _string(self) -> str:
        start = self.at
        quote = self.text[start]
        many = self.text.startswith(quote * 3, start)
        end = quote * 3 if many else quote
        at = start + len(end)
        while not self.text.startswith(end, at):
            at += 2 if quote == '"' and self.text[at] == "\\" else 1
        at += len(end)
        # Up to two quotes may stand directly before the three that end a long string.
        while many and self.text.startswith(quote, at) and at - start >= 6:
            at += 1
        self.line += self.text.count("\n", start, at)
        self.at = at
        return self.text[start:at]

    def _past(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        found = match[0] if match else ""
        self.line += found.count("\n")
        self.at += len(found)
        return found

    def _next(self, token: str) -> bool:
        if not self.text.startswith(token, self.at):
            return False
        self.at += len(token)
        return True
