"""A QR code as lines of text, for the terminal and for the bench's screen.

Owns the drawing. Does not know what the code says.
"""

from __future__ import annotations

import io

QUIET = 2
"""Blank modules around it: the standard asks for four, phones find it with two."""


def qr_lines(text: str) -> list[str]:
    """Draw a QR code with two modules a character, dark on light, as lines without colours.

    A dark module is a blank and a light one a block: on a dark terminal it looks as on paper.
    """
    import segno  # only where a phone is paired; it costs 33 ms

    out = io.StringIO()
    segno.make(text, error="m", micro=False).save(out, kind="txt", border=QUIET)
    rows = [[cell == "0" for cell in line] for line in out.getvalue().split()]
    if len(rows) % 2:
        rows.append([True] * len(rows[0]))
    return [
        "".join(_BLOCKS[upper, lower] for upper, lower in zip(top, bottom, strict=True))
        for top, bottom in zip(rows[::2], rows[1::2], strict=True)
    ]


_BLOCKS = {(True, True): "█", (True, False): "▀", (False, True): "▄", (False, False): " "}
