"""Pacing of what is published: the test owns the clock, the outbox is only told the time."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

from daemon.broker_outbox import Outbox
from daemon.view import BenchView, PartView, RunView, Step, TimerView, Zone

IDLE = BenchView(at_s=0.0, wall_offset_s=1_793_620_800.0)
POUR = replace(
    IDLE,
    batch=1,
    step=Step.POUR,
    part="A",
    zone=Zone.DUMP,
    target_g=69.5,
    actual_g=0.0,
    weight_g=0.0,
    parts=(PartView("A", 69.5), PartView("B", 62.5)),
)
CLOCK = TimerView("stir-1", 1, "stir", 0.0, None, 30.0, "running")
ORDER = RunView("Cabinet knobs", 240, 0, 0, 0, 42, eta_at_s=1000.0)


def settled(view: BenchView) -> Outbox:
    """An outbox whose first payloads of every topic have gone at 0 s."""
    outbox = Outbox()
    outbox.show(view)
    outbox.take(0.0)
    outbox.show(view)
    outbox.take(0.1)
    return outbox


def names(outbox: Outbox, now_s: float) -> list[str]:
    return [post.topic.name for post in outbox.take(now_s)]


def test_the_first_view_is_said_at_once_weight_last() -> None:
    outbox = Outbox()
    outbox.show(POUR)
    assert names(outbox, 0.0) == ["dispense", "timers", "run", "weight"]
    assert outbox.due_s == float("inf")


def test_the_weight_is_said_at_most_ten_times_a_second_and_the_latest_wins() -> None:
    outbox = settled(POUR)
    said: list[tuple[float, float]] = []
    for tick in range(1, 101):
        now_s = 1.0 + tick / 50
        outbox.show(replace(POUR, at_s=now_s, weight_g=float(tick)))
        said += [
            (now_s, json.loads(post.payload)["grams"])
            for post in outbox.take(now_s)
            if post.topic.name == "weight"
        ]
    gaps_s = [later - earlier for (earlier, _), (later, _) in pairwise(said)]
    assert min(gaps_s) >= 0.0999
    assert max(gaps_s) <= 0.1201
    assert all(grams == round((now_s - 1.0) * 50) for now_s, grams in said)


def test_a_weight_that_waits_says_when_it_is_due() -> None:
    outbox = settled(POUR)
    outbox.show(replace(POUR, weight_g=5.0))
    assert outbox.due_s == 0.2
    assert names(outbox, 0.15) == []
    assert names(outbox, 0.2) == ["weight"]


def test_a_resting_weight_is_repeated_once_a_second() -> None:
    outbox = settled(POUR)
    said_s: list[float] = []
    for tick in range(2, 41):
        outbox.show(replace(POUR, at_s=tick / 10))
        if "weight" in names(outbox, tick / 10):
            said_s.append(tick / 10)
    assert said_s == [1.0, 2.0, 3.0, 4.0]


def test_no_weight_is_said_while_none_is_believed() -> None:
    outbox = settled(POUR)
    outbox.show(replace(POUR, weight_g=None))
    assert "weight" not in names(outbox, 5.0)


def test_the_running_pour_is_said_twice_a_second() -> None:
    outbox = settled(POUR)
    said_s: list[float] = []
    for tick in range(2, 42):
        outbox.show(replace(POUR, actual_g=tick / 10, weight_g=None))
        if "dispense" in names(outbox, tick / 10):
            said_s.append(tick / 10)
    assert len(said_s) == 8


def test_a_turn_of_the_pour_waits_for_nothing() -> None:
    outbox = settled(POUR)
    turns = [
        replace(POUR, zone=Zone.EASE),
        replace(POUR, zone=Zone.STOP),
        replace(POUR, zone=Zone.STOP, step=Step.SETTLE),
        replace(POUR, zone=Zone.OVER, needs="accept or correct"),
        replace(POUR, zone=Zone.OVER, needs="accept or correct", prompt="Add 1.2 g of A"),
        replace(POUR, zone=Zone.OVER, prompt="Add 1.2 g of A", target_g=70.7),
    ]
    for turn in turns:
        outbox.show(turn)
    said = [json.loads(post.payload) for post in outbox.take(0.11) if post.topic.name == "dispense"]
    assert [
        (one["step"], one["zone"], one["needs"], one["prompt"], one["target_g"]) for one in said
    ] == [(turn.step, turn.zone, turn.needs, turn.prompt, turn.target_g) for turn in turns]


def test_a_storm_of_turns_keeps_the_last_ones() -> None:
    outbox = settled(POUR)
    for count in range(1000):
        outbox.show(replace(POUR, prompt=str(count)))
    said = [json.loads(post.payload)["prompt"] for post in outbox.take(1.0)[:-1]]
    assert said[-1] == "999"
    assert len(said) <= 64


def test_time_passing_alone_says_nothing_of_the_dispense() -> None:
    outbox = settled(replace(POUR, weight_g=None))
    for tick in range(2, 100):
        outbox.show(replace(POUR, weight_g=None, at_s=float(tick)))
        assert names(outbox, float(tick)) == []


def test_clocks_and_order_are_said_when_they_change() -> None:
    outbox = settled(replace(POUR, weight_g=None, run=ORDER))
    running = replace(POUR, weight_g=None, run=ORDER, timers=(CLOCK,))
    outbox.show(running)
    assert names(outbox, 0.2) == ["timers"]
    counted = replace(running, run=replace(ORDER, good=6))
    outbox.show(counted)
    assert names(outbox, 0.3) == ["run"]
    outbox.show(replace(counted, run=replace(ORDER, good=6, eta_at_s=1001.0)))
    assert names(outbox, 0.4) == []
    assert names(outbox, 5.3) == ["run"]


def test_after_a_new_line_everything_retained_is_said_again() -> None:
    outbox = settled(POUR)
    outbox.show(replace(POUR, weight_g=9.0))
    outbox.again()
    assert names(outbox, 0.11) == ["dispense", "timers", "run"]


def test_before_the_first_view_there_is_nothing_to_say() -> None:
    outbox = Outbox()
    outbox.again()
    assert outbox.take(0.0) == []
    assert outbox.due_s == float("inf")
