"""Bytes as a person reads and writes them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.notation import to_bytes, to_text


@given(st.binary())
def test_what_is_shown_is_read_back(data):
    assert to_bytes(to_text(data)) == data


def test_control_characters_have_their_standard_names():
    """ISO/IEC 646 (ASCII), control characters 0 to 31 and 127."""
    assert to_text(b"\x02ST,36.5\x8d\r\n") == "<STX>ST,36.5<8D><CR><LF>"
    assert to_bytes("<FF><0C>") == b"\xff\x0c"
    assert to_bytes("<ESC>P<F8>U<SP><DC1><DEL>") == b"\x1bP\xf8U \x11\x7f"


def test_what_is_no_name_is_refused_and_what_is_no_notation_is_itself():
    with pytest.raises(ValueError, match="<XX> is neither"):
        to_bytes("<XX>")
    with pytest.raises(ValueError, match="write bytes above 7F"):
        to_bytes("36,5 °")
    assert to_bytes("a < b > c") == b"a < b > c"
