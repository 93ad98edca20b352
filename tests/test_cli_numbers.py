"""A number on the command line: taken within its limits, else refused with them."""

from __future__ import annotations

import argparse

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.cli_numbers import grams, within


@given(st.floats(0.01, 100_000))
def test_what_is_within_the_limits_is_taken_as_it_is(value: float) -> None:
    assert grams(repr(value)) == value


@pytest.mark.parametrize("text", ["0.01", "100000", " 1e5 ", "0.010"])
def test_the_limits_themselves_are_within(text: str) -> None:
    assert grams(text) in (0.01, 100_000.0)


@pytest.mark.parametrize("text", ["", "0", "-1", "0.0099", "100000.1", "nan", "inf", "1,5", "12 g"])
def test_anything_else_is_refused_with_the_limits_and_what_was_given(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError) as refused:
        grams(text)
    assert str(refused.value) == f"grams, from 0.01 to 100000, not {text}"


def test_limits_are_written_out() -> None:
    with pytest.raises(argparse.ArgumentTypeError) as refused:
        within("-1", 0, 3_600_000, "milliseconds")
    assert str(refused.value) == "milliseconds, from 0 to 3600000, not -1"
