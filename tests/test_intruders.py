"""The intruders' trial in short: nothing is let in, and its verdict would say so if it were."""

from __future__ import annotations

import pytest

from tools import intruders
from tools.intruders import IntrudersError, Row, main


def test_nobody_is_let_in_and_the_honest_phone_stays(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(intruders, "SETTLE_S", 0.2)
    wanted = ("watching", "speak for", "empty frames")
    status = main(["--seconds", "0.6", *(word for one in wanted for word in ("--only", one))])
    said = capsys.readouterr().out
    assert status == 0, said
    assert len([line for line in said.splitlines() if "| 0 |" in line]) == 3
    assert "commands heard 0; forged words at the honest phone 0 of" in said
    assert said.endswith("Nothing was let in.\n")


def test_lines_that_are_taken_together_are_all_as_late_as_the_last() -> None:
    """Written at 1, 2, 3 and 4 ms; the second and third are shown together at 7 ms."""
    row = Row(
        "x", before={1.0: 1_000_000, 2.0: 2_000_000}, meanwhile={3.0: 3_000_000, 4.0: 4_000_000}
    )
    said = ["commands 2", "1.0 1500000", "3.0 7000000", "4.0 7500000", "4.0 9000000"]
    assert intruders._pair_up([row], said) == 2
    assert (row.before_ms, row.meanwhile_ms) == ([0.5, 5.0], [4.0, 3.5])
    with pytest.raises(IntrudersError, match="every line"):
        intruders._pair_up([row], said[:2])


def test_what_is_let_in_is_no_success(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    row = Row("x", 1, 1, before_ms=[1.0], meanwhile_ms=[2.0])
    monkeypatch.setattr(intruders, "trial", lambda *_: ([row], ["SOMETHING WAS LET IN"]))
    assert main(["--only", "codes"]) == 1
    assert "| x | 1 | 1 | 2.00 / 2.00 / 2.00 | 1.00 / 1.00 / 1.00 |" in capsys.readouterr().out
