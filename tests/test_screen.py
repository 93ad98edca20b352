"""What stands on the screen at every size, and what the terminal gets and keeps."""

import asyncio
import os
import re
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from daemon.big_digits import big, shape, units
from daemon.page_qr import qr_lines
from daemon.pairing import Invitation
from daemon.screen import FullScreen, can_draw, codes, signs_for
from daemon.screen_bar import bar_lines, place
from daemon.screen_layout import Frame, compose
from daemon.screen_lines import text_of
from daemon.screen_plain import PlainScreen, news
from daemon.screen_tables import summary_table
from daemon.screen_words import (
    SMALL_SHAPES,
    STEPS,
    ZONES,
    Notes,
    clock_left,
    decimals,
    focus,
    grams,
    look,
    span,
)
from daemon.screen_writer import FrameWriter, LineWriter, changes
from daemon.view import BenchView, PartView, RunView, Step, StopsView, TimerView, Zone

ROOT = Path(__file__).parents[1]
SIZES = ((80, 24), (120, 40), (200, 60), (40, 12))

# An invented batch of an invented run of cabinet knobs.
DUMP = BenchView(
    at_s=1000.0,
    wall_offset_s=1_700_000_000.0,
    bench="bench",
    person="Kit",
    scale="ok",
    scale_note="/dev/ttyUSB0, sign-first",
    batch=3,
    recipe="Slate knob, fast urethane",
    step=Step.POUR,
    part="A",
    zone=Zone.DUMP,
    target_g=69.5,
    actual_g=31.2,
    remaining_g=38.3,
    landing_g=36.0,
    to_stop_s=4.0,
    stops=StopsView(52.1, 67.4),
    tolerance_g=0.3,
    prompt="Pour A: 69.5 g.",
    caution="Isocyanate: ventilate; gloves do not stop vapour. Follow the maker's data sheet.",
    parts=(PartView("A", 69.5, 31.2), PartView("B", 62.5), PartView("dye", 1.6, dye=True)),
    choices=("abandon", "timer"),
    weight_g=31.2,
    flow_g_per_s=12.0,
    timers=(
        TimerView("t1", 2, "pressure", 900.0, 1500.0, 1560.0, "running"),
        TimerView("t2", 1, "demold", 300.0, 990.0, 1010.0, "warned"),
        TimerView("t3", 1, "trim", 300.0, 990.0, 995.0, "ended"),
    ),
    run=RunView("Cabinet knobs, slate", 240, 36, 2, 6, 42),
)
EASE = replace(DUMP, zone=Zone.EASE, actual_g=64.9, remaining_g=4.6, landing_g=66.1)
OVER = replace(
    DUMP,
    step=Step.DECIDE,
    zone=Zone.OVER,
    part="B",
    target_g=62.5,
    actual_g=64.1,
    remaining_g=-1.6,
    landing_g=None,
    prompt="B is 1.6 g over. Correct: 1.8 g more A. Or accept it as it is.",
    needs="accept or correct",
    choices=("correct", "accept", "abandon"),
    parts=(PartView("A", 69.5, 69.6, 0.1, True), PartView("B", 62.5, 64.1, 1.6)),
    total_g=133.7,
    ratio_error_pct=2.4,
)
STIR = replace(
    DUMP,
    step=Step.STIR,
    part=None,
    zone=None,
    target_g=None,
    actual_g=None,
    remaining_g=None,
    landing_g=None,
    stops=StopsView(),
    prompt="Stir 30 s, sides and bottom too.",
    due="stirred (batch 3)",
    choices=("next",),
    timers=(TimerView("t9", 3, "stir", 990.0, None, 1017.0, "running"),),
)
LOST = replace(EASE, step=Step.AWAY, scale="lost", scale_note="the cable is out", weight_g=None)
NOTES = Notes("MQTT: connected", "phone: http://127.0.0.1:8787/", ("The broker is back.",))


def drawn(view: BenchView, width: int, height: int, now_s: float = 1000.0) -> list[str]:
    return text_of(compose(Frame(view, NOTES, now_s, width, height)))


INVITED = replace(
    NOTES,
    invitation=Invitation(
        tuple(qr_lines("http://192.168.100.200:8787/#pair=W7JX9WEN")),
        "http://192.168.100.200:8787/",
        "W7JX-9WEN",
    ),
)


@pytest.mark.parametrize("width, height", [*SIZES, (24, 7), (20, 4), (10, 2), (300, 90), (80, 8)])
@pytest.mark.parametrize("view", [STIR, BenchView(0.0, 0.0)])
def test_while_a_phone_may_be_paired_the_screen_says_how(
    view: BenchView, width: int, height: int
) -> None:
    lines = compose(Frame(view, INVITED, 1000.0, width, height))
    text = text_of(lines)
    assert [cell_len(line) for line in text] == [width] * height
    whole = all(any(row in line for line in text) for row in INVITED.invitation.qr)
    assert whole or width < 80 or height < 24
    if whole:
        assert {style for line in lines for words, style in line if "▄▄▄▄▄" in words} == {"qr"}
    if width >= 48 and height >= 7:
        assert any("W7JX-9WEN" in line for line in text)


@pytest.mark.parametrize("view", [DUMP, EASE, OVER, LOST])
def test_a_pour_and_a_question_come_before_a_phone(view: BenchView) -> None:
    with_it = text_of(compose(Frame(view, INVITED, 1000.0, 80, 24)))
    assert with_it == drawn(view, 80, 24)


def missing(view: BenchView, width: int, height: int, *words: str) -> list[str]:
    """Which of these words the screen does not show."""
    screen = "\n".join(drawn(view, width, height))
    return [word for word in words if word not in screen]


@pytest.mark.parametrize("width, height", [*SIZES, (24, 7), (20, 4), (10, 2), (300, 90), (80, 8)])
@pytest.mark.parametrize("view", [DUMP, EASE, OVER, STIR, LOST, BenchView(0.0, 0.0)])
def test_every_row_is_exactly_as_wide_as_the_terminal(
    view: BenchView, width: int, height: int
) -> None:
    lines = drawn(view, width, height)
    assert [cell_len(line) for line in lines] == [width] * height


@pytest.mark.parametrize("width, height", SIZES)
def test_a_pour_shows_state_prompt_caution_parts_clocks_and_keys(width: int, height: int) -> None:
    assert (
        missing(
            DUMP, width, height, "part A", "Pour A: 69.5 g.", "▲ Isocyanate", "A", "31.2", "62.5"
        )
        == []
    )
    assert missing(DUMP, width, height, "trim", "over by 0:05", "0:10 soon", "x  give up") == []
    assert (
        missing(
            DUMP, width, height, "POUR" if width < 64 else "P O U R", "g of A to go", "lands 36.0"
        )
        == []
    )


@pytest.mark.parametrize("width, height", SIZES[:3])
def test_with_room_enough_everything_of_the_bench_is_there(width: int, height: int) -> None:
    assert (
        missing(
            DUMP,
            width,
            height,
            "batch 3 · Slate knob, fast urethane · 36 of 240 good",
            "Kit · bench",
        )
        == []
    )
    assert (
        missing(DUMP, width, height, "ease 52.1", "stop 67.4", "target 69.5 ±0.3", "lands 36.0")
        == []
    )
    assert missing(DUMP, width, height, "demold, batch 1", "pressure, batch 2", "9:20") == []
    assert (
        missing(DUMP, width, height, "scale ok: /dev/ttyUSB0, sign-first", "│ MQTT: connected")
        == []
    )
    assert missing(DUMP, width, height, "The broker is back.", "TARGET", "IN CUP", "OFF BY") == []
    assert (
        missing(
            STIR, width, height, "due: stirred (batch 3)", "space  stirred (batch 3)", "S T I R"
        )
        == []
    )
    assert (
        missing(
            OVER,
            width,
            height,
            "+1.6",
            "69.6",
            "+0.1",
            "133.7",
            "+2.4 %",
            "c  correct",
            "a  accept",
        )
        == []
    )
    assert (
        missing(LOST, width, height, "S C A L E   L O S T", "the cable is out", "no reading") == []
    )


@pytest.mark.parametrize("width, height", SIZES)
@pytest.mark.parametrize("view, figure", [(DUMP, "38.3"), (EASE, "4.6"), (OVER, "+1.6")])
def test_the_figure_is_drawn_large_enough_to_be_read_from_two_metres(
    view: BenchView, figure: str, width: int, height: int
) -> None:
    """A row of a 24-row terminal is about a centimetre high (no source): three rows at least."""
    screen = drawn(view, width, height)
    inked = [line for line in screen if set(line) & set("█▀▄") and not set(line) & set("·▒░")]
    rows, room = len(inked), focus(view, 1000.0).room_for
    assert rows >= (3 if height == 12 else 7)
    sizes = (big(figure, wide, rows, room_for=room) for wide in range(width, 5, -1))
    assert any(size and _stands_in(size, screen) for size in sizes)


def _stands_in(figure: list[str], screen: list[str]) -> bool:
    first = [(row, line.find(figure[0])) for row, line in enumerate(screen) if figure[0] in line]
    return any(
        all(
            screen[row + i][at : at + len(line)] == line
            for i, line in enumerate(figure)
            if row + i < len(screen)
        )
        for row, at in first
    )


def test_no_state_is_told_by_colour_alone() -> None:
    looks = [*ZONES.values(), *STEPS.values()]
    assert len({each.word for each in ZONES.values()}) == len(ZONES)
    assert len({each.shape for each in ZONES.values()}) == len(ZONES)
    assert all(each.shape in SMALL_SHAPES and shape(each.shape, 5) for each in looks)
    big_shapes = {name: tuple(shape(name, 6)) for name in SMALL_SHAPES}
    assert len(set(big_shapes.values())) == len(SMALL_SHAPES)


def test_a_lost_or_overloaded_scale_outranks_the_zone() -> None:
    assert look(LOST).word == "SCALE LOST"
    assert look(replace(EASE, scale="overload")).word == "OVERLOAD"
    assert focus(LOST, 1000.0).figure == "--.-"


def test_the_one_figure_is_what_matters_at_the_step() -> None:
    assert focus(DUMP, 1000.0).figure == "38.3"
    assert focus(OVER, 1000.0).figure == "+1.6"
    assert focus(OVER, 1000.0).says == "g of B too much"
    assert focus(STIR, 1000.0).figure == "0:17"
    assert focus(replace(STIR, timers=()), 1000.0).figure == "31.2"


def test_the_bar_marks_stops_target_and_landing_in_order() -> None:
    marks, fill, legend = text_of(bar_lines(EASE, 78, 1, "ease"))
    assert [marks[i] for i in range(78) if marks[i] != " "] == ["▽", "◇", "■", "◆"]
    ease, lands, stop, target = (marks.index(mark) for mark in "▽◇■◆")
    assert ease == int(place(52.1 / 69.5, 78))
    assert fill[:ease] == "█" * ease
    assert fill[lands] == "▒"
    assert fill[stop] == "·"
    assert fill[target] == "░"
    assert legend.split("   ") == [
        "▽ ease 52.1",
        "■ stop 67.4",
        "◆ target 69.5 ±0.3",
        "◇ lands 66.1",
    ]


def test_the_bar_never_runs_backwards_and_gives_the_last_quarter_half_its_width() -> None:
    places = [place(share / 200, 100) for share in range(240)]
    assert places == sorted(places)
    assert place(1.0, 100) - place(0.75, 100) == pytest.approx(50)
    assert (place(0.0, 100), place(9.0, 100)) == (0.0, 100.0)


def test_a_part_without_a_first_stop_has_one_mark_less() -> None:
    trickle = replace(EASE, stops=StopsView(None, 1.4), target_g=1.6, actual_g=0.0, landing_g=None)
    marks, _, legend = text_of(bar_lines(trickle, 40, 1, "ease"))
    assert set(marks) == {" ", "■", "◆"}
    assert "ease" not in legend


def test_figures_are_written_to_the_scales_division_and_never_minus_nothing() -> None:
    assert [decimals(division) for division in (1.0, 0.5, 0.1, 0.05, 0.02, 0.01, 0.001)] == [
        *(0, 1, 1, 2, 2, 2, 3),
    ]
    assert grams(-0.04, 1) == "0.0"
    assert grams(0.04, 1, sign=True) == "0.0"
    assert grams(0.06, 1, sign=True) == "+0.1"
    assert grams(None, 2) == "–"


def test_clocks_are_written_as_the_time_left() -> None:
    assert [span(s) for s in (0, 8.2, 59.9, 60, 754, 3600, 11_111)] == [
        *("0:00", "0:09", "1:00", "1:00", "12:34", "1 h 00", "3 h 05"),
    ]
    warned = TimerView("t", 1, "stir", 0.0, 5.0, 30.0, "warned")
    assert clock_left(replace(warned, state="running"), 10.0) == "0:20"
    assert clock_left(warned, 20.0) == "0:10 soon"
    assert clock_left(replace(warned, state="ended"), 42.9) == "over by 0:12"


def test_digits_differ_at_every_size_and_stay_in_their_room() -> None:
    for rows in (3, 4, 5, 7, 12, 20):
        for width in (20, 40, 120):
            figures = {text: big(text, width, rows) for text in "0123456789-+"}
            assert len({tuple(lines) for lines in figures.values()}) == len(figures)
            assert all(len(lines) == rows for lines in figures.values())
            whole = big("-128.45", width, rows)
            assert all(len(line) <= width for line in whole)


def test_a_shrinking_number_keeps_its_size_and_its_right_edge() -> None:
    assert units("100.0") > units("99.9")
    wide, narrow = big("100.0", 60, 7, room_for="100.0"), big("9.9", 60, 7, room_for="100.0")
    assert {len(line) for line in wide} == {len(line) for line in narrow}


def test_the_summary_is_a_plain_table() -> None:
    assert summary_table(OVER.parts, 0.1, 133.7, 2.4) == [
        "   PART          TARGET  IN CUP  OFF BY",
        " √ A               69.5    69.6    +0.1",
        "   B               62.5    64.1    +1.6",
        "   mix, ratio             133.7  +2.4 %",
    ]


grams_or_none = st.none() | st.floats(-500, 5000)


@given(
    st.integers(1, 220),
    st.integers(1, 70),
    st.sampled_from(Step),
    st.none() | st.sampled_from(Zone),
    *[grams_or_none] * 5,
    st.text(max_size=200),
)
@settings(max_examples=150, deadline=None)
def test_any_view_at_any_size_fills_the_screen(
    width: int,
    height: int,
    step: Step,
    zone: Zone | None,
    target: float | None,
    actual: float | None,
    landing: float | None,
    coarse: float | None,
    weight: float | None,
    text: str,
) -> None:
    view = replace(
        DUMP,
        step=step,
        zone=zone,
        target_g=target,
        actual_g=actual,
        remaining_g=None if target is None or actual is None else target - actual,
        landing_g=landing,
        stops=StopsView(coarse, target),
        weight_g=weight,
        prompt=text,
        recipe=text,
        caution=text[::-1],
        parts=(PartView(text, 1.0, actual, landing),) * 6,
    )
    lines = drawn(view, width, height)
    assert [cell_len(line) for line in lines] == [width] * height


def test_names_cannot_command_the_terminal(tmp_path: Path) -> None:
    evil = replace(DUMP, recipe="knob\x1b[2J\x1b]0;x\x07", scale_note="one\nline", scale="silent")
    for lines in (drawn(evil, 80, 24), plain(tmp_path, (0.0, evil, Notes(said=("a\rb",))))):
        assert all(line.isprintable() for line in lines)


def shown_on(grid: list[str], sent: str) -> list[str]:
    """Do what a terminal does with what `changes` gives; styles left out."""
    rows = {} if "\x1b[2J" in sent else dict(enumerate(grid, start=1))
    for row, line in re.findall(r"\x1b\[(\d+);1H([^\x1b]*)", sent):
        rows[int(row)] = line
    return [rows[row] for row in sorted(rows)]


@given(st.lists(st.lists(st.sampled_from("abc"), min_size=4, max_size=5), min_size=1, max_size=6))
def test_only_what_changed_is_sent_and_the_screen_is_always_the_last_frame(
    frames: list[list[str]],
) -> None:
    grid: list[str] = []
    for frame in frames:
        sent = changes(grid, frame)
        if len(grid) == len(frame):
            assert sent.count("H") == sum(new != old for new, old in zip(frame, grid, strict=True))
        grid = shown_on(grid, sent)
        assert grid == frame
        assert changes(grid, frame) == ""


def until(true: Callable[[], object], seconds: float = 5.0) -> None:
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline, "it did not come about in time"
        threading.Event().wait(0.002)


def read_all(fd: int) -> bytes:
    """Read what has been sent, up to 64 kB."""
    os.set_blocking(fd, False)
    try:
        return os.read(fd, 65_536)
    except BlockingIOError:
        return b""


def test_a_stopped_terminal_delays_nobody_and_shows_the_latest_frame_afterwards() -> None:
    ours, theirs = os.pipe()
    with os.fdopen(theirs, "w") as file:
        writer = FrameWriter(file)
        for number in range(2000):
            writer.show([f"{number:04d}" * 50] * 24)
        got = b""

        def last_came() -> bool:
            nonlocal got
            got += read_all(ours)
            return b"1999" in got

        until(last_came)
        assert writer.close()
        assert len(got) < 2000 * 200 * 24 / 2
    os.close(ours)


def test_lines_nobody_reads_go_and_a_broken_pipe_is_no_fault() -> None:
    ours, theirs = os.pipe()
    os.close(ours)
    with os.fdopen(theirs, "w") as file:
        writer = LineWriter(file)
        writer.write("to nobody")
        until(lambda: writer.broken)
        writer.write("to nobody")
        assert writer.close()


def test_styles_carry_colour_only_where_there_is_some() -> None:
    assert codes("plain", True) == ("", "")
    assert codes("stop.band", True)[0] == "\x1b[1;37;41m"
    assert codes("stop.band", False)[0] == "\x1b[1;7m"


def test_a_terminal_of_few_signs_gets_only_those_it_has() -> None:
    lines = "".join(line for view in (DUMP, OVER, STIR) for line in drawn(view, 80, 24))
    plain_signs = signs_for("ISO-8859-1", "xterm")
    console_signs = signs_for("utf-8", "linux")
    assert plain_signs is not None
    assert console_signs is not None
    assert signs_for("utf-8", "xterm") is None
    assert lines.translate(plain_signs).isascii()
    low_signs = "".maketrans(
        "▼▲►♦", "****"
    )  # the page's first 32 signs, which the codec leaves out
    assert lines.translate(console_signs).translate(low_signs).encode("cp437", errors="strict")
    assert len(lines.translate(console_signs)) == len(lines)


def test_a_file_is_no_screen() -> None:
    with Path(os.devnull).open("w") as null:
        assert not can_draw(null)


class Terminal:
    """A pseudo-terminal and a screen on it, with a clock moved by hand."""

    def __init__(self) -> None:
        self.ours, theirs = os.openpty()
        termios.tcsetwinsize(theirs, (24, 80))
        self.file = os.fdopen(theirs, "w")
        self.at_s = 1000.0
        self.screen = FullScreen(self.file, lambda: self.at_s)
        self.got = ""

    def comes(self, text: str) -> None:
        def came() -> bool:
            self.got += read_all(self.ours).decode(errors="replace")
            return text in self.got

        until(came)

    def close(self) -> None:
        self.screen.close()
        self.file.close()
        os.close(self.ours)


async def test_the_screen_is_taken_drawn_and_given_back() -> None:
    terminal = Terminal()
    with terminal.screen as screen:
        screen.show(DUMP, NOTES)
        terminal.comes("give up")
        assert "\x1b[?1049h" in terminal.got
        assert "\x1b[?1049l" not in terminal.got
    terminal.comes("\x1b[?1049l")
    assert "\x1b[?25h" in terminal.got
    terminal.close()


async def test_a_new_zone_is_drawn_at_once_and_mere_progress_when_it_is_time() -> None:
    terminal = Terminal()
    with terminal.screen as screen:
        screen.show(DUMP)
        terminal.comes("31.2 of 69.5")
        terminal.at_s += 0.01
        screen.show(replace(DUMP, actual_g=33.3, remaining_g=36.2))
        screen.show(replace(EASE, actual_g=64.4))
        terminal.comes("64.4 of 69.5")
        assert "33.3 of 69.5" not in terminal.got
        terminal.at_s += 0.01
        screen.show(replace(EASE, actual_g=64.5))
        screen.show(replace(EASE, actual_g=64.6))
        await asyncio.wait_for(_in_time(terminal, "64.6 of 69.5"), 5)
        assert "64.5 of 69.5" not in terminal.got
    terminal.close()


async def _in_time(terminal: Terminal, text: str) -> None:
    while text not in terminal.got:
        terminal.got += read_all(terminal.ours).decode(errors="replace")
        await asyncio.sleep(0.005)


async def test_between_views_the_clocks_go_on_and_a_new_size_is_taken() -> None:
    terminal = Terminal()
    with terminal.screen as screen:
        screen.show(STIR)
        terminal.comes("0:17")
        running = asyncio.create_task(screen.run())
        terminal.at_s += 2.0
        await asyncio.wait_for(_in_time(terminal, "0:15"), 5)
        termios.tcsetwinsize(terminal.file.fileno(), (40, 120))
        terminal.at_s += 1.0
        await asyncio.wait_for(_in_time(terminal, "\x1b[40;1H"), 5)
        assert terminal.got.index("0:17") < terminal.got.index("0:15")
        running.cancel()
    terminal.close()


PROGRAM = """
import asyncio, sys
from daemon.screen import FullScreen
from daemon.view import BenchView

async def main():
    with FullScreen(sys.stdout, lambda: 0.0) as screen:
        screen.show(BenchView(0.0, 0.0, prompt="Put a cup on."))
        print("ready", file=sys.stderr, flush=True)
        sys.stdin.readline()
        {ending}

asyncio.run(main())
"""


@pytest.mark.parametrize("ending", ["pass", "raise RuntimeError('a fault')", "sys.exit(1)"])
def test_the_terminal_gets_its_screen_back_however_the_program_ends(ending: str) -> None:
    ours, theirs = os.openpty()
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM.format(ending=ending)],
        stdin=subprocess.PIPE,
        stdout=theirs,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "TERM": "xterm"},
    ) as program:
        assert program.stdin is not None
        assert program.stderr is not None
        assert program.stderr.readline() == "ready\n"
        program.stdin.write("\n")
        program.stdin.flush()
        program.stderr.read()
        program.wait(10)
    sent = read_all(ours).decode()
    assert "Put a cup on." in sent
    assert sent.rindex("\x1b[?1049l") > sent.rindex("Put a cup on.")
    os.close(ours)
    os.close(theirs)


def plain(tmp_path: Path, *views: tuple[float, BenchView, Notes]) -> list[str]:
    """What a plain screen writes for these views, without the time of day."""
    path = tmp_path / "lines.txt"
    clock = [0.0]
    with path.open("w") as file:
        screen = PlainScreen(file, lambda: clock[0])
        for at_s, view, notes in views:
            clock[0] = at_s
            screen.show(replace(view, at_s=at_s), notes)
        screen.close()
    lines = path.read_text().splitlines()
    assert all(re.fullmatch(r"\d\d:\d\d:\d\d  .+", line) for line in lines)
    return [line[10:] for line in lines]


def test_without_a_terminal_a_batch_is_a_short_list_of_lines(tmp_path: Path) -> None:
    none = Notes()
    bare = replace(DUMP, timers=(), caution="")
    landed = replace(
        bare,
        step=Step.SETTLE,
        zone=Zone.LANDED,
        actual_g=69.6,
        prompt="A has landed.",
        parts=(PartView("A", 69.5, 69.6, 0.1, True), PartView("B", 62.5)),
    )
    stirring = replace(
        STIR,
        parts=landed.parts,
        caution="It heats itself.",
        timers=STIR.timers,
        prompt="Stir 30 s.",
    )
    assert plain(
        tmp_path,
        (0.0, replace(bare, actual_g=0.0), none),
        (0.5, bare, none),
        (1.0, replace(bare, zone=Zone.EASE, actual_g=64.9, prompt="Ease off A."), none),
        (3.0, landed, Notes(said=("The broker is back.",))),
        (4.0, stirring, Notes(said=("The broker is back.", "No sound card."))),
    ) == [
        "Scale ok: /dev/ttyUSB0, sign-first",
        "Batch 3: Slate knob, fast urethane.",
        "[POUR] A: 0.0 of 69.5 g",
        "> Pour A: 69.5 g.",
        "A: 31.2 g, 38.3 g to go, lands near 36.0 g",
        "[EASE OFF] A: 64.9 of 69.5 g",
        "> Ease off A.",
        "[LANDED] A: 69.6 of 69.5 g",
        "A is in: 69.6 g of 69.5 g, off by +0.1 g.",
        "> A has landed.",
        "The broker is back.",
        "[STIR]",
        "> Stir 30 s.",
        "! It heats itself.",
        "Stir, batch 3: 16:53 left, ends " + _clock_of(1017.0) + ".",
        "Due: stirred (batch 3).",
        "No sound card.",
    ]


def _clock_of(at_s: float) -> str:
    return time.strftime("%H:%M:%S", time.localtime(at_s + DUMP.wall_offset_s))


def test_a_minute_of_pouring_is_no_flood(tmp_path: Path) -> None:
    views = [
        (tenth / 10, replace(DUMP, actual_g=tenth / 10, timers=()), Notes()) for tenth in range(600)
    ]
    lines = plain(tmp_path, *views)
    assert 25 <= sum("to go" in line for line in lines) <= 31


def test_clocks_that_are_soon_or_over_and_a_lost_scale_each_get_a_line() -> None:
    later = replace(
        DUMP,
        timers=(
            replace(DUMP.timers[0], state="warned"),
            replace(DUMP.timers[1], state="ended"),
            DUMP.timers[2],
        ),
    )
    assert news(DUMP, later) == [
        f"Pressure, batch 2: 9:20 left, ends {_clock_of(1560.0)}. SOON",
        "Demold, batch 1: time is up.",
    ]
    assert news(DUMP, replace(DUMP, scale="lost", scale_note="the cable is out")) == [
        "Scale lost: the cable is out",
    ]
    assert news(OVER, OVER) == []


def test_what_a_part_is_off_by_is_the_difference_of_the_figures_beside_it() -> None:
    part = PartView(name="A", target_g=69.48, actual_g=69.41, error_g=-0.07, done=True)
    view = replace(DUMP, parts=(part,))
    row = next(line for line in drawn(view, 80, 24) if line.startswith(" √ A"))
    assert row.split()[2:5] == ["69.5", "69.4", "-0.1"]


def test_a_long_piece_of_news_is_wrapped_and_its_end_is_seen() -> None:
    told = (
        "The page cannot listen there; " + "pouring goes on without it. " * 3 + "Set another port."
    )
    lines = text_of(compose(Frame(DUMP, replace(NOTES, said=(told,)), 1000.0, 100, 40)))
    assert any("Set another port." in line for line in lines)
