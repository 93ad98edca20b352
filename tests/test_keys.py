"""Keys to commands, and the terminal's mode before, during and after."""

import io
import os
import subprocess
import sys
import termios
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.keys import KEYS, Keys, KeySplitter, Press, Presses, keys_now
from daemon.view import BenchView, Step, TimerView

ROOT = Path(__file__).parents[1]
POT = TimerView("t7", 3, "pot-life", 0.0, 100.0, 150.0, "running")
STIR = TimerView("t8", 3, "stir", 0.0, None, 30.0, "running")
DEMOLD = TimerView("t5", 2, "demold", 0.0, 800.0, 900.0, "running")
DECIDE = BenchView(
    at_s=0.0,
    wall_offset_s=0.0,
    step=Step.DECIDE,
    choices=("correct", "accept", "abandon", "timer"),
    timers=(POT, DEMOLD),
)


def typed(keys: str, view: BenchView, apart_s: float = 1.0) -> list[Press]:
    presses = Presses()
    return [presses.press(key, view, i * apart_s) for i, key in enumerate(keys)]


def test_each_key_sends_its_command() -> None:
    everything = replace(
        DECIDE, choices=("next", "confirm", "accept", "correct", "tare", "timer"), due="stirred"
    )
    assert [press.do for press in typed(" yact+g", everything)] == [
        {"do": "next"},
        {"do": "confirm"},
        {"do": "accept"},
        {"do": "correct"},
        {"do": "tare"},
        {"do": "timer", "timer": "t5", "extend_s": 60},
        {"do": "mark", "kind": "gelled", "batch": 3},
    ]


def test_every_key_of_the_table_is_a_different_one() -> None:
    assert len({key.sent for key in KEYS}) == len(KEYS)


def test_a_key_that_is_not_allowed_now_says_so_and_sends_nothing() -> None:
    assert typed("t", DECIDE) == [Press(note="t (tare) does nothing now.")]
    assert typed("g", replace(DECIDE, timers=())) == [Press(note="g (gelled) does nothing now.")]


def test_giving_a_batch_up_takes_a_second_press_of_another_key() -> None:
    asked, done = typed("xy", DECIDE)
    assert asked.do is None
    assert "Give this batch up?" in asked.note
    assert done.do == {"do": "abandon", "reason": "given up at the bench"}


def test_any_other_key_leaves_the_batch_as_it_is() -> None:
    assert typed("xa", DECIDE)[1] == Press(note="Left as it is.")
    assert typed("xx", DECIDE)[1] == Press(note="Left as it is.")


def test_a_question_that_was_not_answered_in_time_is_off() -> None:
    late = typed("xy", replace(DECIDE, choices=("abandon", "confirm")), apart_s=6.0)
    assert late[1] == Press(do={"do": "confirm"})


@pytest.mark.parametrize(
    "view", [replace(DECIDE, step=Step.POUR), replace(DECIDE, timers=(POT, DEMOLD))]
)
def test_quitting_asks_only_while_resin_waits(view: BenchView) -> None:
    assert typed("q", replace(DECIDE, timers=(DEMOLD,))) == [Press(quits=True)]
    assert typed("q", replace(DECIDE, timers=(replace(POT, state="ended"),)))[0].quits
    asked, done = typed("qy", view)
    assert not asked.quits
    assert done.quits


def test_a_key_that_does_nothing_names_the_one_that_answers() -> None:
    view = replace(DECIDE, needs="confirm", choices=("confirm", "abandon"))
    assert typed(" ", view)[0].note == "space (what is due) does nothing now; y: confirm."


def test_a_held_foot_switch_is_one_press() -> None:
    view = replace(DECIDE, choices=("next",))
    held = typed(" " * 30, view, apart_s=0.03)
    assert [press.do for press in held if press != Press()] == [{"do": "next"}]
    assert [press.do for press in typed("  ", view)] == [{"do": "next"}] * 2


def test_the_enter_of_a_foot_switch_is_the_space_bar() -> None:
    view = replace(DECIDE, choices=("next",))
    assert typed("\r", view) == typed("\n", view) == typed(" ", view)


def test_the_resins_own_clocks_cannot_be_stretched_by_a_key() -> None:
    assert typed("+", replace(DECIDE, timers=(POT,)))[0].do is None
    stretched = typed("+", replace(DECIDE, timers=(POT, DEMOLD, STIR)))[0].do
    assert stretched == {"do": "timer", "timer": "t8", "extend_s": 60}


def test_the_help_names_what_is_allowed_now_the_likeliest_first() -> None:
    assert keys_now(DECIDE) == (
        ("c", "correct"),
        ("a", "accept"),
        ("x", "give up"),
        ("+", "one minute more"),
        ("g", "gelled"),
        ("q", "quit"),
    )
    next_one = replace(DECIDE, choices=("next",), due="stirred (batch 3)", timers=())
    assert keys_now(next_one) == (("space", "stirred (batch 3)"), ("q", "quit"))


@given(st.text(st.characters(max_codepoint=0x2FFF), max_size=8))
def test_no_key_at_all_breaks_anything_or_sends_what_is_not_allowed(keys: str) -> None:
    for press in typed(keys, DECIDE):
        assert press.do is None or press.do["do"] in (*DECIDE.choices, "mark")


def test_arrows_and_other_escape_sequences_are_swallowed_even_in_pieces() -> None:
    assert KeySplitter().split(b"\x1b[A \x1bOPa\x1b[1;5Cx") == (" ", "a", "x")
    splitter = KeySplitter()
    pieces = [splitter.split(bytes([byte])) for byte in b"\x1b[1;5Cq"]
    assert pieces == [(), (), (), (), (), (), ("q",)]


def test_pasted_text_is_no_press_at_all() -> None:
    assert KeySplitter().split(b"yaxycy some pasted text") == ()


def test_where_there_is_no_terminal_the_keys_are_off() -> None:
    with Path(os.devnull).open() as null:
        for file in (io.StringIO(), null):
            keys = Keys(file, lambda: 0.0, lambda do: None, lambda note: None, lambda: None)
            assert not keys.open()
            assert not keys.active
            keys.close()


PROGRAM = """
import asyncio, fcntl, signal, sys, termios
from daemon.keys import Keys
from daemon.view import BenchView, Step
fcntl.ioctl(0, termios.TIOCSCTTY, 0)

async def main():
    over = asyncio.Event()
    say = lambda *words: print(*words, file=sys.stderr, flush=True)
    keys = Keys(sys.stdin, lambda: 0.0, lambda do: say("do", do["do"]), say, over.set)
    keys.show(BenchView(at_s=0.0, wall_offset_s=0.0, choices=("next", "tare")))
    with keys:
        say("ready")
        await over.wait()
        {ending}

asyncio.run(main())
"""


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    ours, theirs = os.openpty()
    yield ours, theirs
    os.close(ours)
    os.close(theirs)


def started(terminal: int, ending: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM.format(ending=ending)],
        stdin=terminal,
        stdout=terminal,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        start_new_session=True,
    )


@pytest.mark.parametrize("ending", ["pass", "raise RuntimeError('a fault')", "sys.exit(3)"])
def test_single_presses_reach_the_bench_and_the_terminal_gets_its_mode_back(
    terminal: tuple[int, int], ending: str
) -> None:
    ours, theirs = terminal
    before = termios.tcgetattr(theirs)
    with started(theirs, ending) as program:
        assert program.stderr is not None
        assert program.stderr.readline() == "ready\n"
        during = termios.tcgetattr(theirs)
        assert not during[3] & (termios.ICANON | termios.ECHO)
        assert during[3] & termios.ISIG
        os.write(ours, b" ")
        assert program.stderr.readline() == "do next\n"
        os.write(ours, b"\x1b[Bt")
        assert program.stderr.readline() == "do tare\n"
        os.write(ours, b"c")
        assert program.stderr.readline() == "c (correct) does nothing now.\n"
        os.write(ours, b"q")
        program.stderr.read()
        program.wait(10)
    assert termios.tcgetattr(theirs) == before


def test_a_terminal_that_goes_away_ends_the_keys_and_nothing_else() -> None:
    ours, theirs = os.openpty()
    wait = "\n        while keys.active: await asyncio.sleep(0.01)\n        say('no more keys')"
    with started(
        theirs, "signal.signal(signal.SIGHUP, signal.SIG_IGN); say('quiet')" + wait
    ) as bench:
        assert bench.stderr is not None
        assert bench.stderr.readline() == "ready\n"
        os.write(ours, b"q")
        assert bench.stderr.readline() == "quiet\n"
        os.close(theirs)
        os.close(ours)
        assert bench.stderr.readline() == "no more keys\n"
        assert bench.wait(10) == 0
