"""`scale learn` from a recording and live on a pseudo-terminal, then decoded with what it wrote."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from daemon.cli import main
from tests.frame_streams import Stream, streams

NAMES = sorted({stream.id for stream in streams() if stream.case == "learn"})


def _stream(name: str, case: str) -> Stream:
    return next(s for s in streams() if s.id == name and s.case == case)


def _learned(name: str, tmp_path: Path) -> Path | None:
    """The profile learned from three steady displays of the recording; None where it refused."""
    learn, capture, profile = _stream(name, "learn"), tmp_path / "a.bin", tmp_path / "p.toml"
    capture.write_bytes(learn.data)
    shown: list[str] = []
    for begin, end, text, unit in [mark for mark in learn.marks if mark[2] is not None][:4]:
        shown += ["--shown", f"{begin}-{end}={text} {unit or ''}"]
    status = main(["scale", "learn", "--from", str(capture), *shown, "-o", str(profile)])
    return profile if status == 0 else None


@pytest.mark.parametrize("name", NAMES)
def test_what_was_learned_reads_other_recordings_right_and_trusts_nothing_damaged(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A shape may be refused; one that is learned must not misread."""
    profile = _learned(name, tmp_path)
    refused = capsys.readouterr().err
    if profile is None:
        assert refused.startswith("benchpour: ")
        return
    for case in ("clean", "noise"):
        stream, other = _stream(name, case), tmp_path / "b.bin"
        other.write_bytes(stream.data)
        main(["scale", "decode", str(other), "--profile", str(profile)])
        rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        known = {row[1] for row in stream.expected}
        assert {row["text"] for row in rows if row["trusted"]} <= known - set(stream.must_not)


def test_the_common_shapes_are_learned(tmp_path: Path) -> None:
    common = ["flag-comma-signed", "number-unit-query-mode", "ww-wn-zeropad"]
    assert all(_learned(name, tmp_path) is not None for name in common)


def test_one_weight_is_refused_with_what_would_help(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture = tmp_path / "a.bin"
    capture.write_bytes(b"  125.4 g\r\n" * 30)
    assert main(["scale", "learn", "--from", str(capture), "--shown", "0-110=125.4 g"]) == 1
    said = capsys.readouterr().err
    assert "another load" in said
    assert "Traceback" not in said
