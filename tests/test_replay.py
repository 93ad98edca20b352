"""Replay: the same inputs give the same events, to the byte; what differs is told plainly."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from itertools import accumulate
from pathlib import Path
from random import Random
from typing import Any

import pytest

from daemon.cli_log_set import Otherwise, known_keys, parse_sets
from daemon.clock import Clock, HandClock
from daemon.effects import Pattern, Sound
from daemon.engine import Engine
from daemon.inputs import Raw
from daemon.logfile import Event, Header, Log, LogError, line_of
from daemon.replay import Performance, Replay, Verdict, events, verify
from daemon.state import load
from daemon.view import BenchView
from drivers.scale_profile import parse_profile, shipped_files
from drivers.scale_sim import ScaleTruth
from drivers.sim_person import PersonTruth
from tests.kit_bench import ON_THE_READING, SimBench, one_fill, slate, two_knobs

RECORDED = Path(__file__).parent / "logs" / "simulated-slate-knob.jsonl"


def log_of(lines: Iterable[str]) -> Log:
    return Log(f"{line}\n".encode() for line in lines)


def verdict(lines: Iterable[str]) -> Verdict:
    return verify(log_of(lines))


def difference(lines: Iterable[str]) -> str:
    found = verdict(lines).difference
    assert found.endswith(".")
    return found


@pytest.fixture(scope="module")
def knob(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    return two_knobs().log(1, tmp_path_factory.mktemp("knob"))


@pytest.fixture(scope="module")
def free(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """A batch whose stops are predicted; only its first cues are looked at."""
    return SimBench(slate(), limit_s=30.0).pour().log(1, tmp_path_factory.mktemp("free"))


@pytest.fixture(scope="module")
def fill(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    return one_fill().log(1, tmp_path_factory.mktemp("fill"))


# --- to the byte ---------------------------------------------------------------------------------


@pytest.mark.parametrize("batch", [1, 2])
def test_every_batch_of_a_run_comes_out_as_it_was(batch: int, tmp_path: Path) -> None:
    lines = two_knobs().log(batch, tmp_path)
    logged = [line for line in lines if '"event":' in line]
    log = log_of(lines)
    again = [line_of(event, log.header.start_us) for event in events(log.header, log)]
    assert again == logged
    assert verdict(lines) == Verdict(len(logged))


@pytest.mark.parametrize(
    "bench",
    [
        SimBench(slate(), 11, recognise=True),
        SimBench(slate(), 12, shred=True),
        SimBench(slate(), 13, recognise=True, shred=True),
        SimBench(slate(), 14, ScaleTruth(rate_hz=4.9, division_g=0.5), limit_s=60.0),
        SimBench(slate(), 15, ScaleTruth(division_g=0.01), PersonTruth(slip=0.5), limit_s=60.0),
        SimBench(slate(stops={"coarse": 0.75, "fine": 0.97}), 16),
        SimBench(slate(), 17, commands=[(4.0, {"do": "ambient", "celsius": 27.5}),
                                        (9.0, {"do": "person", "name": "Kim"}),
                                        (12.0, {"do": "tare"}),
                                        (20.0, {"do": "abandon", "reason": "too warm"})]),
        SimBench(slate(), 18, killed_at_s=4.5, down_s=1.0),
    ],
)  # fmt: skip
def test_any_bench_comes_out_as_it_was(bench: SimBench, tmp_path: Path) -> None:
    found = verdict(bench.pour().log(1, tmp_path))
    assert found.difference == ""
    assert found.same >= 4


def test_the_recorded_log_verifies() -> None:
    """Made once and kept: what is decided from the same bytes changes only on purpose.

    Where a change of the cues means it to, record the log anew and say so with the change:
    `python -m tests.kit_bench tests/logs/simulated-slate-knob.jsonl`.
    """
    logged = RECORDED.read_text(encoding="utf-8").count('"event":')
    assert logged > 20
    with RECORDED.open("rb") as file:
        log = Log(file)
        assert verify(log) == Verdict(logged)
    assert log.cut == ""
    assert log.header.note.startswith("Simulated")


def test_an_engine_taken_up_anywhere_goes_on_alike() -> None:
    """A state through JSON and back is the state: nothing hides outside of it."""
    inputs = two_knobs().inputs
    whole, rng = SimBench(slate()).decoder(), Random(5)
    engine = Engine(load({}), whole)
    stops = set(rng.sample(range(len(inputs)), 25))
    cut = Engine(load({}), SimBench(slate()).decoder())
    for number, item in enumerate(inputs):
        if number in stops:
            text = json.dumps(cut.snapshot())
            cut = Engine(load(json.loads(text)["bench"]), SimBench(slate()).decoder())
            cut.decoder.restore(json.loads(text)["decoder"])
        assert cut.take(item) == engine.take(item)
    assert cut.snapshot() == engine.snapshot()


# --- cut off -------------------------------------------------------------------------------------


def test_a_log_cut_at_any_line_verifies_up_to_the_cut(fill: list[str]) -> None:
    counts = [verdict(fill[:last]) for last in range(1, len(fill) + 1)]
    assert {found.difference for found in counts} == {""}
    assert [found.same for found in counts] == [
        sum('"event":' in line for line in fill[:last]) for last in range(1, len(fill) + 1)
    ]


def test_a_log_cut_at_any_byte_verifies_up_to_the_cut(fill: list[str]) -> None:
    whole = "".join(f"{line}\n" for line in fill).encode()
    header = whole.index(b"\n") + 1
    for last in range(header, len(whole), 11):
        log = Log(whole[:last].splitlines(keepends=True))
        assert verify(log).difference == ""
        assert log.cut
    for last in range(0, header - 1, 97):
        with pytest.raises(LogError):
            Log(whole[:last].splitlines(keepends=True))


def test_a_cut_log_may_lead_to_more_than_it_holds(knob: list[str]) -> None:
    last = max(i for i, line in enumerate(knob) if '"event":' in line)
    assert verdict(knob[:last]).difference == ""


# --- changed since -------------------------------------------------------------------------------


def _changed(lines: list[str], where: str, change: Callable[[dict[str, Any]], None]) -> list[str]:
    """The log with one event changed: the first whose line holds `where`."""
    index = next(i for i, line in enumerate(lines) if where in line)
    body = json.loads(lines[index])
    change(body)
    return [*lines[:index], json.dumps(body), *lines[index + 1 :]]


def test_a_changed_figure_is_named_with_both_values(knob: list[str]) -> None:
    def change(body: dict[str, Any]) -> None:
        body["event"]["data"]["cup_g"] = 9.9

    told = difference(_changed(knob, '"cup.tared"', change))
    was = next(json.loads(line) for line in knob if '"cup.tared"' in line)["event"]
    assert told.startswith(f"Event {was['seq']} (cup.tared, ")
    assert f"cup_g was 9.9, comes out {was['data']['cup_g']}." in told


@pytest.mark.parametrize(
    ("member", "value"),
    [("seq", 999), ("at", "2026-01-01T00:00:00.000Z"), ("batch", 7), ("batch", None)],
)
def test_a_changed_member_is_named(knob: list[str], member: str, value: object) -> None:
    told = difference(
        _changed(knob, '"cup.tared"', lambda body: body["event"].update({member: value}))
    )
    assert f"{member} was {json.dumps(value)}, comes out " in told


def test_another_kind_of_number_is_a_difference_too(knob: list[str]) -> None:
    def whole_number(body: dict[str, Any]) -> None:
        body["event"]["data"]["pot_life_s"] = 180

    told = difference(_changed(knob, '"mix.contact"', whole_number))
    assert "pot_life_s was 180, comes out 180.0" in told


def test_an_event_of_another_kind_is_told(knob: list[str]) -> None:
    told = difference(
        _changed(knob, '"stop.coarse"', lambda b: b["event"].update(kind="stop.fine"))
    )
    assert "stop.fine" in told
    assert "was logged; stop.coarse at" in told


def test_an_event_that_is_missing_in_a_whole_log_is_told(knob: list[str]) -> None:
    last = max(i for i, line in enumerate(knob) if '"event":' in line)
    told = difference(knob[:last] + knob[last + 1 :])
    assert told.endswith("comes out and was not logged.")


def test_an_event_that_never_was_is_told(knob: list[str]) -> None:
    last = max(i for i, line in enumerate(knob) if '"event":' in line)
    body = json.loads(knob[last])
    body["event"]["seq"] += 1
    told = difference([*knob[: last + 1], json.dumps(body), *knob[last + 1 :]])
    assert told.endswith("was logged and does not come out.")


def test_a_changed_reading_shows_in_the_events(knob: list[str]) -> None:
    """Two tenths more in every reading of the resting cup: the tare comes out heavier."""
    assert "cup_g was" in difference(line.replace("+    8.3 g", "+    8.5 g") for line in knob)


# --- written by hand -----------------------------------------------------------------------------

EVEN = {
    "name": "Even",
    "shot_g": 200.0,
    "part": [{"name": "A", "by_weight": 1.0}, {"name": "B", "by_weight": 1.0}],
    "stops": {"coarse": 0.75, "fine": 0.97},
    "times": {"pot_life_s": 600},
}


def by_hand(scale: dict[str, Any], **more: Any) -> Iterator[str]:
    """Only what is promised: an empty pan, a cup of 8 g, then A at 10 g/s and at 1 g/s."""
    yield json.dumps({"benchpour_log": 1, "recipe": EVEN, "settings": {}, "scale": scale} | more)
    steps = [0.1 * n for n in range(1, 11)] + [1.0] * 85
    steps += [0.1 * n for n in range(9, 0, -1)] + [0.1] * 50
    poured = [0.0, *accumulate(steps)]
    shown = [0.0] * 20 + [8.0] * 20 + [8.0 + g for g in poured] + [108.0] * 20
    for tenths, grams in enumerate(shown):
        state = "US" if 40 <= tenths < 40 + len(poured) else "ST"
        raw = f"{state},GS,+{grams:7.1f} g\r\n"
        yield json.dumps({"t": tenths / 10, "raw": raw})


@pytest.mark.parametrize("scale", [{"profile": "flag-comma-signed"}, {}])
def test_a_log_with_only_the_promised_members_replays(scale: dict[str, Any]) -> None:
    """Stops in the recipe act on the reading: 75 and 97 g of 100, at the first reading there."""
    log = log_of(by_hand(scale, started_at="2026-11-02T09:30:00.000Z"))
    told: dict[str, Event] = {}
    for event in events(log.header, log):
        told.setdefault(event.kind, event)
    assert told["batch.opened"].at == "2026-11-02T09:30:00.000Z"
    assert told["batch.opened"].seq == 1
    assert told["cup.tared"].data["cup_g"] == 8.0
    # A tenth of a second a reading, 4 s before the first drop. Ten readings bring 5.5 g, 70 more
    # 75.5, 15 more 90.5, nine more 95.0, and 20 more 97.0 g.
    coarse, fine = told["stop.coarse"], told["stop.fine"]
    assert (coarse.at_us, coarse.data["reading_g"]) == (12_000_000, 75.5)
    assert (fine.at_us, fine.data["reading_g"]) == (16_400_000, 97.0)
    assert told["part.landed"].data["actual_g"] == 100.0


def test_settings_and_times_may_be_left_out() -> None:
    log = log_of(by_hand({}))
    replay = Replay(log.header)
    assert replay.engine.bench.settings.risk_pct == 2.0
    assert replay.engine.bench.wall_offset_s == 0.0


def test_events_of_a_log_written_by_hand_are_compared_by_their_own_numbers() -> None:
    lines = list(by_hand({}))
    log = log_of(lines)
    first = next(events(log.header, log))
    logged = line_of(replace(first, seq=41), 0)
    assert verdict([*lines[:2], logged, *lines[2:]]) == Verdict(1)


def test_the_header_counts_over_the_state(knob: list[str]) -> None:
    header = json.loads(knob[0])
    header["recipe"]["stops"]["fine"], header["recipe"]["stops"]["coarse"] = 0.9, 0.7
    header["settings"]["risk_pct"] = 9.0
    replay = Replay(log_of([json.dumps(header)]).header)
    replay.until(replay.engine.at_us)
    batch = replay.engine.bench.batch
    assert batch is not None
    assert batch.recipe.stops.fine == 0.9
    assert replay.engine.bench.settings.risk_pct == 9.0


def _with_header(lines: list[str], **members: Any) -> list[str]:
    return [json.dumps(json.loads(lines[0]) | members), *lines[1:]]


@pytest.mark.parametrize(
    ("members", "words"),
    [
        ({"state": {"weighing": "gone"}, "version": "9.1"}, "written by benchpour 9.1"),
        ({"decoder": {"profile": "x"}}, "log's decoder is not of a form known here"),
        ({"scale": {"profile": "no-such-shape"}}, "no line shape is called 'no-such-shape'"),
        ({"scale": {"profile": "/etc/hostname"}}, "no line shape is called"),
        ({"scale": {"profile": "x", "shapes": {"x": "name = 3"}}}, "the log's shape x"),
        ({"scale": {"shapes": 4}}, "shapes is an object"),
        ({"recipe": {"name": "x"}}, "The log's recipe, shot_g: found nothing"),
        ({"settings": {"risk_pct": "high"}}, "risk_pct is a number"),
    ],
)
def test_a_header_that_cannot_be_used_is_told(
    knob: list[str], members: dict[str, Any], words: str
) -> None:
    with pytest.raises(LogError) as caught:
        verdict(_with_header(knob, **members))
    assert words in str(caught.value)


def test_a_started_at_that_is_no_time_is_told() -> None:
    with pytest.raises(LogError, match="started_at"):
        Replay(Header(recipe=EVEN, started_at="yesterday"))


@pytest.mark.parametrize("do", [{"do": "dance"}, {}, {"do": "mark"}, {"do": "plan", "resolved": 1}])
def test_a_command_that_nobody_could_give_is_told_with_its_line(do: dict[str, Any]) -> None:
    lines = list(by_hand({}))
    with pytest.raises(LogError, match=r"Line 3 of the log cannot be used"):
        verdict([*lines[:2], json.dumps({"t": 0.05, "do": do}), *lines[3:]])


def test_a_line_shape_that_does_not_ship_is_in_the_log_itself(tmp_path: Path) -> None:
    file = next(file for file in shipped_files() if file.stem == "flag-comma-signed")
    text = file.read_text(encoding="utf-8").replace("flag-comma-signed", "my-own-scale")
    poured = SimBench(slate(), 21, shape=parse_profile(text)).pour()
    lines = poured.log(1, tmp_path, lambda name: {"my-own-scale": text}.get(name))
    assert json.loads(lines[0])["scale"] == {
        "profile": "my-own-scale",
        "shapes": {"my-own-scale": text},
    }
    assert verdict(lines).difference == ""


# --- what would have happened --------------------------------------------------------------------


def cue(lines: list[str], kind: str, **sets: str) -> float:
    """When the first such cue comes, in seconds from the start, with these values set."""
    log = log_of(lines)
    change = Otherwise(sets={key.replace("__", "."): value for key, value in sets.items()})
    found = next(e for e in events(log.header, log, change) if e.kind == kind)
    return (found.at_us - log.header.start_us) / 1e6


def test_a_stop_set_on_the_reading_moves_the_cue_to_that_reading() -> None:
    """75.5 g stands at 12.0 s, and 25 readings of 1 g before it 50.5 g: 2.5 s earlier."""
    lines = list(by_hand({"profile": "flag-comma-signed"}))
    assert cue(lines, "stop.coarse") - cue(lines, "stop.coarse", stops__coarse="0.5") == (
        pytest.approx(2.5, abs=1e-6)
    )


def test_a_longer_lead_stops_earlier(free: list[str]) -> None:
    with_long, with_short = (cue(free, "stop.fine", hand__lead_s=s) for s in ("0.6", "0.2"))
    assert with_long < with_short


def test_the_risk_set_holds_whatever_the_daemon_started_with(free: list[str]) -> None:
    start = '{"t":0.000000,"daemon":{"version":"0","resumed":false,"risk_pct":2.0}}'
    log = log_of([free[0], start])
    replay = Replay(log.header, Otherwise(sets={"risk_pct": "7.5"}))
    for line in log:
        replay.take(line)
    assert replay.engine.bench.settings.risk_pct == 7.5


def test_what_is_set_is_held_whatever_is_learned(knob: list[str]) -> None:
    log = log_of(knob)
    change = Otherwise(sets={"hand.lead_s": "0.5", "scale.lag_s": "0.2"})
    replay = Replay(log.header, change)
    for line in log:
        replay.take(line)
    bench = replay.engine.bench
    assert {hand.lead_s for _, hand in bench.hands} == {0.5}
    assert bench.weighing.scale.lag_s == 0.2


def test_a_pot_life_set_is_the_one_that_runs(knob: list[str]) -> None:
    log = log_of(knob)
    change = Otherwise(sets={"times.pot_life_s": "300", "times.press_by_s": "290"})
    contact = next(e for e in events(log.header, log, change) if e.kind == "mix.contact")
    assert contact.data["pot_life_s"] == 300.0


def test_another_recipe_has_its_own_targets(knob: list[str]) -> None:
    log = log_of(knob)
    double = slate(shot_g=200.0)
    opened = next(events(log.header, log, Otherwise(double)))
    assert [part["target_g"] for part in opened.data["parts"]] == pytest.approx(
        [200 * 100 / 190, 200 * 90 / 190 / (1 - 0.012)], abs=1e-3
    )


def test_a_share_of_one_part_can_be_set(knob: list[str]) -> None:
    log = log_of(knob)
    opened = next(events(log.header, log, Otherwise(sets={"part.B.by_weight": "100"})))
    assert opened.data["parts"][0]["target_g"] == 66.0


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("stops.corse", "0.5", "perhaps stops.coarse is meant"),
        ("nonsense", "1", "known are shot_g, hold_back_g"),
        ("part.C.by_weight", "1", "there is no such setting"),
        ("stops.coarse", "2", "expected a number below 1"),
        ("stops.coarse", "soon", "expected a number"),
        ("hand.lead_s", "soon", "expected a number from 0.001"),
        ("scale.lag_s", "nan", "expected a number from 0.001"),
        ("risk_pct", "80", "to 50"),
        ("method", "sideways", "method: found"),
    ],
)
def test_what_cannot_be_set_is_told_and_is_wrong_use(
    knob: list[str], key: str, value: str, words: str
) -> None:
    with pytest.raises(LogError) as caught:
        Replay(log_of(knob).header, Otherwise(sets={key: value}))
    assert caught.value.status == 2
    assert words in str(caught.value)


def test_every_key_that_is_offered_can_be_set(knob: list[str]) -> None:
    """With a value that fits its kind; one that is out of place is refused, never a traceback."""
    header = log_of(knob).header
    for key in known_keys(slate()):
        try:
            Replay(header, Otherwise(sets={key: "1"}))
        except LogError as error:
            assert "there is no such setting" not in str(error), key


@pytest.mark.parametrize("word", ["stops.coarse", "=1", "stops.coarse="])
def test_a_set_that_is_no_pair_is_wrong_use(word: str) -> None:
    with pytest.raises(LogError, match="key and a value"):
        parse_sets([word])


# --- shown in its time ---------------------------------------------------------------------------


class Witness:
    """Keeps what it is shown and lets be heard, with the replay's time."""

    def __init__(self) -> None:
        self.now: Callable[[], float] = float
        self.heard: list[tuple[float, str]] = []
        self.seen: list[BenchView] = []

    def play(self, pattern: Pattern) -> None:
        self.heard.append((self.now(), pattern.value))

    def show(self, view: BenchView) -> None:
        self.seen.append(view)


async def _perform(lines: list[str], speed: float | None, clock: Clock | HandClock) -> Witness:
    log, witness = log_of(lines), Witness()
    show = Performance(log, Replay(log.header), clock, speed, [witness])
    witness.now = show.now_s
    await asyncio.wait_for(show.run(), 20)
    return witness


def sounds(lines: list[str]) -> list[tuple[float, str]]:
    log, found = log_of(lines), []
    replay = Replay(log.header)
    for line in log:
        due_us = replay.engine.due_us()
        while due_us is not None and due_us <= line.at_us:
            found += [(due_us / 1e6, t) for t in replay.until(due_us)]
            due_us = replay.engine.due_us()
        found += [(line.at_us / 1e6, t) for t in replay.take(line)]
    return [(at, told.pattern.value) for at, told in found if isinstance(told, Sound)]


async def test_without_waiting_everything_is_heard_and_seen_at_its_own_instant(
    knob: list[str],
) -> None:
    witness = await _perform(knob, None, HandClock())  # a clock that never moves
    assert witness.heard == sounds(knob)
    inputs = sum('"event":' not in line for line in knob) - 2  # the header and the end
    assert len(witness.seen) >= inputs
    assert witness.seen[-1].step.value == "stir"


async def test_in_time_nothing_comes_before_its_instant(fill: list[str]) -> None:
    witness = await _perform(fill, 200.0, Clock())
    expected = sounds(fill)
    assert [name for _, name in witness.heard] == [name for _, name in expected]
    assert all(at >= due - 1e-6 for (at, _), (due, _) in zip(witness.heard, expected, strict=True))


async def test_what_falls_due_between_readings_is_heard_at_its_own_instant(tmp_path: Path) -> None:
    """Thirty seconds of stirring end when they end, not at the next reading."""
    person = PersonTruth(corrects=False, stir_s=40.0)
    lines = SimBench(slate(stops=ON_THE_READING), person=person).pour().log(1, tmp_path)
    told = {event.kind: event for event in events(log_of(lines).header, log_of(lines))}
    witness = await _perform(lines, None, HandClock())
    ended = [at for at, name in witness.heard if name == "clock-end"]
    assert ended == pytest.approx([told["batch.mixed"].at_us / 1e6 + 30.0], abs=2e-6)
    assert round(ended[0] * 1e6) not in {
        line.at_us for line in log_of(lines) if isinstance(line.item, Raw)
    }


def test_a_log_of_one_batch_ends_where_the_next_one_opens(knob: list[str]) -> None:
    log = log_of(knob)
    replay = Replay(log.header)
    for line in log:
        replay.take(line)
    assert replay.over
    kinds = [e.batch for e in events(log_of(knob).header, log_of(knob)) if e.kind == "batch.opened"]
    assert kinds == [1]


def test_readings_after_the_next_batch_has_opened_change_nothing(knob: list[str]) -> None:
    end = json.loads(knob[-1])["t"]
    later = [json.dumps({"t": end + 1, "raw": "x\r\n"}), json.dumps({"t": end + 2, "end": True})]
    assert verdict([*knob[:-1], *later]) == verdict(knob)
