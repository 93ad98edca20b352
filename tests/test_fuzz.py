"""The kept inputs of the fuzzer, each through its target: what once held must hold."""

from __future__ import annotations

import pytest

from tools import fuzz_targets
from tools.fuzz import CORPUS, kept_inputs, main
from tools.fuzz_targets import TARGETS, Wrong

FOUND = [("learn-shapes", bytes.fromhex("d7a85473"))]
"""What once did not hold: one overwritten byte hid the check, a bit of which was the sign then."""
KEPT = [(name, data) for name, inputs in kept_inputs().items() for data in inputs]


@pytest.mark.parametrize(("name", "data"), [*FOUND, *KEPT])
def test_a_kept_input_still_holds(name: str, data: bytes) -> None:
    assert _found(name, data) == ""


def _found(name: str, data: bytes) -> str:
    try:
        TARGETS[name](data)
    except Wrong as wrong:
        return str(wrong)
    return ""


def test_every_target_has_kept_inputs_and_they_are_few() -> None:
    assert {name for name, _ in KEPT} == TARGETS.keys()
    assert CORPUS.stat().st_size < 200_000


def test_a_wrong_weight_would_be_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same mishap in every frame is one that nobody can see: here it must be found."""
    monkeypatch.setattr(fuzz_targets, "_APART", 1)
    monkeypatch.setattr(fuzz_targets, "_mishaps", lambda frames, _: (_turned(f) for f in frames))
    with pytest.raises(Wrong, match="was never sent"):
        for first in range(40):
            TARGETS["decode-damaged"](bytes([first]) + bytes(range(1, 80)))


def _turned(frame: bytes) -> bytes:
    """The frame with one digit more in its number."""
    return frame.translate(bytes.maketrans(b"12345678", b"23456789"))


def test_without_the_fuzzer_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert main(["--seconds", "1"]) == 2
    assert "pip install atheris" in capsys.readouterr().err
