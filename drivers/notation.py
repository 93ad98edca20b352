"""Bytes as a person reads them: `<STX>`, `<CR>`, `<F8>`, plain characters as they are.

Owns the notation and both its directions; does not know what any of the bytes mean.
"""

from __future__ import annotations

import re

_NAMES = """
    NUL SOH STX ETX EOT ENQ ACK BEL BS TAB LF VT 0C CR SO SI
    DLE DC1 DC2 DC3 DC4 NAK SYN ETB CAN EM SUB ESC FS GS RS US SP
"""
# The form feed goes by its number: its standard name is that of the byte FF in hexadecimal.
_BYTE_OF = {name: code for code, name in enumerate(_NAMES.split())} | {"DEL": 127}
_NAME_OF = {code: f"<{name}>" for name, code in _BYTE_OF.items() if name != "SP"}
_TOKEN = re.compile(r"<([A-Z][A-Z0-9]{1,2}|[0-9A-F]{2})>")


def to_bytes(text: str) -> bytes:
    """The bytes that `text` stands for.

    `<CR>` is a control character by its standard name, `<8D>` a byte in hexadecimal (two capital
    digits); every other character is itself. Raises ValueError for an unknown name and for a
    character above 7F, which has to be written in hexadecimal.
    """
    out = bytearray()
    at = 0
    for token in _TOKEN.finditer(text):
        out += _plain(text[at : token.start()])
        out.append(_one(token[1]))
        at = token.end()
    return bytes(out + _plain(text[at:]))


def to_text(data: bytes) -> str:
    """`data` in the notation that `to_bytes` reads back."""
    return "".join(_shown(code) for code in data)


def _one(name: str) -> int:
    if name in _BYTE_OF:
        return _BYTE_OF[name]
    if re.fullmatch("[0-9A-F]{2}", name):
        return int(name, 16)
    raise ValueError(f"<{name}> is neither a control character nor two hexadecimal digits")


def _plain(text: str) -> bytes:
    try:
        return text.encode("ascii")
    except UnicodeEncodeError as error:
        raise ValueError(f"{text!r}: write bytes above 7F as <8D>") from error


def _shown(code: int) -> str:
    if code in _NAME_OF:
        return _NAME_OF[code]
    if code > 126 or code in b"<{}":
        return f"<{code:02X}>"
    return chr(code)
