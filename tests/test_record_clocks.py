"""Clocks kept and missed, to the second; and the pours drawn from what the scale showed."""

from dataclasses import replace
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from daemon.record import record
from daemon.record_trace import POINTS_HIGH, POINTS_WIDE, span_us, thinned, trace
from tests.kit_record import Story, finish, pour


def clocks_of(story, batch=1):
    found = record(story.rows).batches[batch - 1]
    return {line.kind: (line.state, line.spare_s) for line in found.clocks}


def from_contact(fill_s):
    """Seconds from contact to `poured` in the story: B, settling, stirring, filling."""
    return 12 + 12 + 32 + fill_s


# --- limits --------------------------------------------------------------------------------------


def test_poured_with_a_second_to_spare_is_kept():
    story = Story()
    pour(story, 1, fill_s=93)
    assert from_contact(93) == 149
    assert clocks_of(story)["pour-by"] == ("kept", 1.0)
    assert clocks_of(story)["press-by"] == ("kept", 170 - 159)


def test_poured_a_second_late_is_missed():
    story = Story()
    pour(story, 1, fill_s=95)
    assert clocks_of(story)["pour-by"] == ("missed", -1.0)


def test_on_the_second_is_kept():
    story = Story()
    pour(story, 1, fill_s=94)
    assert clocks_of(story)["pour-by"] == ("kept", 0.0)


def test_a_later_mark_in_time_tells_that_the_earlier_was_too():
    story = Story()
    pour(story, 1, fill_s=60)
    story.rows = [row for row in story.rows if row.data.get("kind") != "poured"]
    assert clocks_of(story)["pour-by"] == ("kept", None)
    assert clocks_of(story)["press-by"] == ("kept", 44.0)


def test_a_later_mark_that_is_late_tells_nothing_of_the_earlier():
    story = Story()
    pour(story, 1, fill_s=90)
    story.rows = [row for row in story.rows if row.data.get("kind") != "poured"]
    assert clocks_of(story)["pour-by"] == ("open", None)


def test_a_clock_that_was_lengthened_counts_as_lengthened():
    story = Story()
    pour(story, 1)
    story.later(20)
    story.mark(1, "demolded")
    story.clock(1, "trim", 100)
    story.later(50)
    story.clock(1, "trim", 200)
    story.later(160)
    story.mark(1, "trimmed")
    assert clocks_of(story)["trim"] == ("kept", 40.0)


def test_a_wall_clock_that_was_set_meanwhile_shortens_nothing():
    story = Story()
    pour(story, 1, fill_s=80)
    jumped = [
        replace(row, at="2031-01-01T00:00:00.000Z") if row.kind == "batch.marked" else row
        for row in story.rows
    ]
    line = next(c for c in record(jumped).batches[0].clocks if c.kind == "pour-by")
    assert (line.state, line.spare_s) == ("kept", 14.0)


# --- waits ---------------------------------------------------------------------------------------


def test_a_wait_that_was_waited_out_is_kept_and_one_cut_short_is_not():
    story = Story()
    pour(story, 1)
    story.later(590)
    story.mark(1, "vented")
    assert clocks_of(story)["pressure"] == ("missed", -10.0)
    story.rows.pop()
    story.later(15)
    finish(story, 1)
    found = clocks_of(story)
    assert found["pressure"] == ("kept", 5.0)
    assert found["trim"] == ("kept", 14400 - 36)


def test_a_mark_at_the_ringing_is_not_too_early():
    story = Story()
    pour(story, 1)
    story.later(599.4)
    story.mark(1, "vented")
    assert clocks_of(story)["pressure"] == ("kept", -0.6)


def test_batches_in_the_tank_share_its_cycle():
    """The second goes in and the pressure begins anew for both: venting then is early for both."""
    story = Story()
    pour(story, 1)
    pour(story, 2)
    story.later(580)
    for batch in (1, 2):
        story.mark(batch, "vented")
    assert clocks_of(story, 1)["pressure"] == ("missed", -20.0)
    assert clocks_of(story, 2)["pressure"] == ("missed", -20.0)


def test_the_next_cycle_is_not_that_of_a_batch_taken_out_before():
    story = Story()
    pour(story, 1)
    story.later(600)
    story.mark(1, "vented")
    pour(story, 2)
    assert clocks_of(story, 1)["pressure"] == ("kept", 0.0)
    assert clocks_of(story, 2)["pressure"] == ("open", None)


def test_what_nobody_marked_is_open():
    story = Story()
    pour(story, 1)
    found = clocks_of(story)
    assert found["demold"] == ("open", None)
    assert found["pressure"] == ("open", None)


# --- pours ---------------------------------------------------------------------------------------


def poured():
    """A of 50 g from 10 s on, B of 40 g from 30 s on, in a cup of 8 g."""
    story = Story(at_s=10.0)
    story.opened(1, "Slate", 50.0, 40.0)
    story.tell("part.started", 1, part="A", target_g=50.0)
    story.later(4)
    story.tell("stop.fine", 1, part="A", reading_g=40.0, flow=10.0, landing_g=49.8)
    story.later(16)
    story.tell("part.landed", 1, part="A", target_g=50.0, actual_g=50.0)
    story.tell("part.started", 1, part="B", target_g=40.0)
    story.later(10)
    story.tell("batch.mixed", 1, parts=[])
    shown = [(s * 1_000_000, 8.0 + min(max(0, 10 * (s - 10)), 50.0)) for s in range(5, 30)]
    shown += [(s * 1_000_000, 58.0 + min(10 * (s - 30), 40.0)) for s in range(30, 45)]
    return story.rows, shown


def test_each_part_rises_from_nought_on_its_own():
    rows, shown = poured()
    found = trace(rows, shown)
    a, b = found.parts
    assert a.points == ((0.0, 0.0), (5.0, 50.0), (20.0, 50.0))
    assert b.points == ((20.0, 0.0), (24.0, 40.0), (30.0, 40.0))
    assert a.cues == (("stop.fine", (4.0, 40.0)),)
    assert (a.target_g, b.target_g, found.seconds) == (50.0, 40.0, 30.0)
    assert span_us(rows) == (10_000_000, 40_000_000)


def test_a_container_that_is_poured_from_rises_too():
    rows, shown = poured()
    falling = [(at_us, 500.0 - grams) for at_us, grams in shown]
    assert trace(rows, falling, loss=True) == trace(rows, shown)


def test_the_second_round_goes_on_from_what_had_landed():
    rows, shown = poured()
    again = replace(rows[4], data={"part": "A", "target_g": 90.0, "round": 2})
    found = trace([*rows[:4], again, *rows[5:]], shown)
    assert found.parts[1].points == ((20.0, 50.0), (24.0, 90.0), (30.0, 90.0))


def test_nothing_is_drawn_of_what_was_not_seen():
    rows, _ = poured()
    assert trace(rows, []) is None
    assert trace(rows[:1], [(0, 8.0)]) is None


def test_a_straight_pour_needs_two_points():
    assert thinned([(float(i), 2.0 * i) for i in range(500)]) == ((0.0, 0.0), (499.0, 998.0))
    assert thinned([]) == ()
    assert thinned([(1.0, 5.0)]) == ((1.0, 5.0),)


@given(st.lists(st.integers(0, 100), min_size=3, max_size=200))
def test_a_thinned_line_is_never_off_by_more_than_can_be_seen(grams):
    """Within half a drawing step of the line; the rest is the rounding of what is kept."""
    points = [(i / 10, float(g)) for i, g in enumerate(grams)]
    kept = thinned(points)
    assert (kept[0], kept[-1]) == (points[0], points[-1])
    high = max(grams) - min(grams) or 1.0
    step = (points[-1][0] / POINTS_WIDE, high / POINTS_HIGH)
    for seconds, g in points:
        stretches = pairwise(kept)
        assert min(off(first, last, (seconds, g), step) for first, last in stretches) < 0.6


def off(first, last, point, step):
    """How many drawing steps a point is from a stretch of the line."""
    ax, ay = first[0] / step[0], first[1] / step[1]
    bx, by = last[0] / step[0], last[1] / step[1]
    px, py = point[0] / step[0], point[1] / step[1]
    length = (bx - ax) ** 2 + (by - ay) ** 2
    t = min(max(((px - ax) * (bx - ax) + (py - ay) * (by - ay)) / (length or 1), 0), 1)
    return ((ax + t * (bx - ax) - px) ** 2 + (ay + t * (by - ay) - py) ** 2) ** 0.5
