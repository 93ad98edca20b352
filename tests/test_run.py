"""The running daemon end to end, as an outsider meets it: real processes, line and broker.

Each play is one stay at the bench; they run side by side, since a pour takes its time.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import urllib.error
import urllib.request
import wave
from array import array
from collections import Counter
from collections.abc import Iterator
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest

from daemon.control import ask
from daemon.messages import Dispense, Run, Status, Timer, Weight, parse_rfc3339
from daemon.schema_events import EVENT_DATA
from tests.kit_outsider import (
    HOST,
    RECIPE,
    Daemon,
    Listener,
    Outsider,
    Plays,
    Terminal,
    bench,
    until,
)
from tests.kit_promises import broken_promise

plays = Plays()
IN_TIME_S = 2.0
"""In which SIGTERM or Ctrl-C ends a daemon, by the contract."""


def mixed(ear: Listener, count: int) -> None:
    def enough(number: int) -> bool:
        return len(ear.events("batch.mixed")) >= number

    for number in range(1, count + 1):
        until(partial(enough, number), f"{number} mixed cups")


def step(ear: Listener, name: str) -> dict[str, Any]:
    """Wait until the bench is at this step; its whole state."""

    def there() -> Any:
        state = ear.last("dispense")
        return state if state is not None and state["step"] == name else None

    found: dict[str, Any] = until(there, f"step {name}")
    return found


def stops_in_time(daemon: Daemon, by: signal.Signals = signal.SIGTERM) -> None:
    status, took_s = daemon.stop(by)
    assert status == 0, daemon.text
    assert took_s < IN_TIME_S
    assert "Traceback" not in daemon.text


def nothing_is_missing(b: Outsider, ear: Listener) -> None:
    """Every event of the journal was told, in order, each as it stands there."""
    rows = b.journal()
    assert [row.seq for row in rows] == list(range(1, len(rows) + 1))
    told = [(one["seq"], one["at"], one["kind"], one["batch"], one["data"]) for one in ear.events()]
    assert told == [(row.seq, row.at, row.kind, row.batch, row.data) for row in rows]


def benchpour(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "daemon", *arguments],
        cwd=Path(__file__).parents[1],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )


# --- the main job -------------------------------------------------------------------------------


@plays
def hands_free_to_the_end_with_everything_promised() -> None:
    with bench() as b:
        ear = b.listen()
        track = b.folder / "track.wav"
        daemon = b.run("--recipe", "test-knob", "--batches", "2", "--sound", f"file:{track}")
        mixed(ear, 2)
        idle = step(ear, "idle")
        assert idle["needs"] is None
        late = Listener(b.broker.url, "late")
        until(lambda: {one.topic for one in late.heard} >= RETAINED, "the retained topics")
        assert {one.topic for one in late.heard if one.retained} == RETAINED
        assert late.last("run")["batches_done"] == 2
        stops_in_time(daemon)
        until(lambda: ear.last("status")["state"] == "offline", "the goodbye")
        late.close()
        nothing_is_missing(b, ear)
        every_promise_is_kept(ear)
        the_bench_is_paced(ear)
        the_cues_are_in(track, ear)
        assert "\x1b" not in daemon.text
        assert "Batch 2: put an empty cup" in daemon.text
        the_log_says_the_same(b)


RETAINED = {"status", "dispense", "timers", "run"}


def every_promise_is_kept(ear: Listener) -> None:
    models = {"status": Status, "weight": Weight, "dispense": Dispense, "run": Run}
    for topic, model in models.items():
        assert ear.bodies(topic), topic
        for body in ear.bodies(topic):
            model.model_validate(body)
    for timers in ear.bodies("timers"):
        for timer in timers:
            Timer.model_validate(timer)
    kinds = {one["kind"] for one in ear.events()}
    assert kinds >= {"batch.opened", "cup.tared", "part.started", "stop.coarse", "stop.fine"}
    assert kinds >= {"part.landed", "mix.contact", "batch.mixed", "timer.started", "scale.found"}
    for one in ear.events():
        assert broken_promise(one["kind"], one["data"]) is None
        assert one["kind"] in EVENT_DATA or one["kind"] == "hand.learned"
    parse_rfc3339(ear.events()[0]["at"])


def the_bench_is_paced(ear: Listener) -> None:
    weights = [parse_rfc3339(one["at"]) for one in ear.bodies("weight")]
    assert all(later - sooner > 0.9 for sooner, later in zip(weights, weights[10:], strict=False))
    told = ("step", "zone", "target_g", "needs", "prompt", "part", "batch", "due", "choices")
    states = [body | {"targets": [p["target_g"] for p in body["parts"]]} for body in dispense(ear)]
    for same in runs(states, (*told, "targets")):
        made = [parse_rfc3339(one["at"]) for one in same]
        assert all(later - sooner > 1.6 for sooner, later in zip(made, made[4:], strict=False))


def dispense(ear: Listener) -> list[dict[str, Any]]:
    return [one.body for one in ear.heard if one.topic == "dispense"]


def runs(states: list[dict[str, Any]], told: tuple[str, ...]) -> Iterator[list[dict[str, Any]]]:
    """States that follow each other and say the same under these names."""
    for _, same in groupby(states, lambda state: [state[name] for name in told]):
        yield list(same)


def the_cues_are_in(track: Path, ear: Listener) -> None:
    """Each cue's beep begins when its event says, and nothing sounds between cues."""
    with wave.open(str(track), "rb") as wav:
        rate, samples = wav.getframerate(), array("h", wav.readframes(wav.getnframes()))
    width = rate // 100
    loud = [max(map(abs, samples[i : i + width])) > 500 for i in range(0, len(samples), width)]
    onsets_s = [i / 100 for i in range(25, len(loud)) if loud[i] and not any(loud[i - 25 : i])]
    start_s = parse_rfc3339(ear.events("daemon.started")[0]["at"])
    cues_s = [
        parse_rfc3339(one["at"]) - start_s
        for one in ear.events()
        if one["kind"] in ("cup.tared", "stop.coarse", "stop.fine", "part.landed")
    ]
    assert len(cues_s) == 14
    for cue_s in cues_s:
        assert min(abs(cue_s - onset_s) for onset_s in onsets_s) < 0.25, (cue_s, onsets_s)


def the_log_says_the_same(b: Outsider) -> None:
    log = b.folder / "batch.jsonl"
    store = ("--store", str(b.store))
    listed = benchpour("log", "list", "--json", *store)
    assert [json.loads(line)["batch"] for line in listed.stdout.splitlines()] == [1, 2]
    exported = benchpour("log", "export", "1", "-o", str(log), *store)
    assert exported.returncode == 0, exported.stderr
    verified = benchpour("replay", str(log), "--speed", "max", "--verify")
    assert verified.returncode == 0, verified.stdout + verified.stderr


@plays
def a_person_who_corrects_an_overshoot() -> None:
    over = RECIPE.replace("tolerance_g = 2.0", "tolerance_g = 0.5").replace("_pct = 20", "_pct = 2")
    with bench(over) as b:
        ear = b.listen()
        daemon = b.run("--recipe", str(b.recipe), "--batches", "1")
        until(lambda: part_in_hand(ear, "B") and b.clockwork.world.poured_g > 12, "much of B")
        b.clockwork.deaf = True  # the stop goes unheard
        until(lambda: b.clockwork.world.poured_g > 23, "too much of B")
        until(lambda: ear.last("dispense")["zone"] == "over", "zone over")
        b.clockwork.deaf = False
        over_event = until(lambda: ear.events("part.over"), "the miss")[0]["data"]
        assert over_event["plan"]["possible"]
        until(lambda: ear.events("mix.corrected"), "the answer")
        again = until(lambda: [e for e in ear.events("part.started") if "round" in e["data"]], "A")
        assert again[0]["data"]["part"] == "A"
        mixed(ear, 1)
        assert abs(ear.events("batch.mixed")[0]["data"]["ratio_error_pct"]) < 4
        stops_in_time(daemon, signal.SIGINT)
        nothing_is_missing(b, ear)


def part_in_hand(ear: Listener, part: str) -> bool:
    state = ear.last("dispense")
    return state is not None and state["step"] == "pour" and state["part"] == part


def seen_g(ear: Listener) -> float:
    """Grams of the part in hand, as the bench tells them."""
    return float(ear.last("dispense")["actual_g"] or 0.0)


@plays
def a_fill_ends_by_itself() -> None:
    with bench() as b:
        ear = b.listen()
        daemon = b.run("20", "--part", "B", "--tolerance", "2", command="fill")
        assert daemon.ends() == 0, daemon.text
        closed = ear.events("batch.closed")[0]["data"]
        assert closed["reason"] == "filled"
        assert abs(closed["total_g"] - 20) <= 2
        nothing_is_missing(b, ear)


@plays
def a_fill_that_is_refused_ends_with_the_reason() -> None:
    with bench() as b:
        daemon = b.run("20", "--jug", "B7", "--broker", "none", command="fill")
        assert daemon.ends() == 1, daemon.text
        assert "benchpour: No jug is on the shelf" in daemon.text


# --- commands -------------------------------------------------------------------------------------


COMMANDS: tuple[tuple[dict[str, Any], bool], ...] = (
    ({"do": "ambient", "celsius": 21.5}, True),
    ({"do": "person", "name": "Åsa"}, True),
    ({"do": "start", "recipe": "test-knob"}, True),
    ({"do": "start", "batch_g": 30}, True),
    ({"do": "start", "recipe": "nowhere"}, False),
    ({"do": "start", "pieces": 6}, False),
    ({"do": "confirm"}, False),
    ({"do": "accept"}, False),
    ({"do": "correct"}, False),
    ({"do": "tare"}, False),
    ({"do": "next"}, False),
    ({"do": "mark", "kind": "stirred"}, False),
    ({"do": "mark", "kind": "in-tank", "batch": 77}, False),
    ({"do": "count", "batch": 77, "good": 6}, False),
    ({"do": "timer", "timer": "pot-life-1", "extend_s": 60}, False),
    ({"do": "abandon", "reason": "no more cups"}, True),
)
"""What may be sent before a cup is on the pan, and whether it is done."""

MALFORMED: tuple[tuple[bytes, Any], ...] = (
    (b"", None),
    (b"next", None),
    (b"[]", None),
    (b'{"do": "next"}', None),
    (b'{"id": "m1", "do": "fly"}', "m1"),
    (b'{"id": "m2", "do": "plan"}', "m2"),
    (b'{"id": "m3", "do": "ambient", "celsius": "warm"}', "m3"),
    (b'{"id": "m4", "do": "person", "name": "' + b"x" * 5000 + b'"}', None),
    (b'{"id": 5, "do": ["next"]}', 5),
    (b"\xff\xfe", None),
)


@plays
def every_command_gets_exactly_one_answer() -> None:
    with bench() as b:
        ear = b.listen()
        b.clockwork.deaf = True
        daemon = b.run("--recipe", "test-knob")
        until(lambda: ear.events("scale.found"), "the scale")
        for number, (do, _) in enumerate(COMMANDS):
            ear.say({"id": number} | do)
        for payload, _ in MALFORMED:
            ear.say(payload)
        for number in range(100):
            ear.say({"id": f"burst-{number}", "do": "confirm"})
        ear.say({"id": "last", "do": "ambient", "celsius": 20})
        until(lambda: (ear.last("done") or {}).get("id") == "last", "the last answer")
        done = ear.bodies("done")
        names = [*range(len(COMMANDS)), *(name for _, name in MALFORMED)]
        names += [f"burst-{number}" for number in range(100)]
        assert Counter(one["id"] for one in done) == Counter([*names, "last"])
        for one in done:
            assert (one["error"] is None) == one["ok"]
            assert one["ok"] or (one["error"].endswith(".") and "\n" not in one["error"])
        well = {one["id"]: one["ok"] for one in done}
        assert [well[n] for n in range(len(COMMANDS))] == [ok for _, ok in COMMANDS]
        until(lambda: len(ear.events("batch.abandoned")) == 3, "what the commands led to")
        assert [one["batch"] for one in ear.events("batch.abandoned")] == [1, 2, 3]
        beside_the_bench(b, daemon)
        until(lambda: ear.last("dispense")["batch"] == 5, "the batch that was started")
        stops_in_time(daemon)
        nothing_is_missing(b, ear)


def beside_the_bench(b: Outsider, daemon: Daemon) -> None:
    """Other commands on the store go through the daemon that holds the scale."""
    started = ask(b.store, {"do": "start", "recipe": "test-knob"})
    assert started == {"ok": True, "error": None}
    for request in ({"do": "fly"}, {"do": []}, {"say": "hello"}, {"do": "plan", "resolved": {}}):
        refused = ask(b.store, request)
        assert not refused["ok"]
        assert refused["error"]
    forgot = benchpour("hand", "forget", "nobody", "--store", str(b.store))
    assert forgot.returncode == 1
    assert "Nothing has been learned" in forgot.stderr
    assert daemon.process.poll() is None


# --- stopped, killed, taken up again --------------------------------------------------------------


@plays
def killed_in_the_middle_of_a_pour_and_taken_up() -> None:
    with bench() as b:
        ear = b.listen()
        first = b.run("--recipe", "test-knob", "--batches", "1")
        until(lambda: part_in_hand(ear, "B") and seen_g(ear) > 4, "some of B")
        first.process.kill()
        b.clockwork.stop_pouring()
        assert first.ends() == -signal.SIGKILL
        until(lambda: ear.last("status")["state"] == "offline", "the last will")
        before = ear.last("dispense")
        clocks = ear.last("timers")
        landed = ear.events("part.landed")[0]["data"]
        second = b.run("--recipe", "test-knob", "--batches", "1")
        resumed = until(lambda: ear.events("daemon.resumed"), "daemon.resumed")[0]["data"]
        assert (resumed["batch"], resumed["step"]) == (1, "away")
        mixed(ear, 1)
        assert [one["batch"] for one in ear.events("batch.opened")] == [1]
        cup = ear.events("batch.mixed")[0]["data"]
        assert cup["parts"][0]["actual_g"] == pytest.approx(landed["actual_g"], abs=0.3)
        assert before["parts"][0]["actual_g"] == cup["parts"][0]["actual_g"]
        assert {"pour-by-1", "pot-life-1", "demold-1"} <= {clock["id"] for clock in clocks}
        after = {clock["id"]: clock for clock in ear.last("timers")}
        for clock in clocks:
            assert clock == after[clock["id"]]
        assert not ear.events("cup.tared")[1:]
        assert not any(state["needs"] for state in ear.bodies("dispense"))
        stops_in_time(second)
        nothing_is_missing(b, ear)


@plays
def stopped_between_two_batches_and_taken_up() -> None:
    """The second run pours what is left of what the first was asked for."""
    with bench() as b:
        ear = b.listen()
        first = b.run("--recipe", "test-knob", "--batches", "2")
        until(lambda: len(ear.events("batch.opened")) == 2, "the second batch")
        b.clockwork.deaf = True
        stops_in_time(first, signal.SIGHUP)
        b.clockwork.deaf = False
        second = b.run("--recipe", "test-knob", "--batches", "2")
        mixed(ear, 2)
        assert step(ear, "idle")["batch"] is None
        assert [one["batch"] for one in ear.events("batch.opened")] == [1, 2]
        stops_in_time(second)
        nothing_is_missing(b, ear)


# --- the broker -----------------------------------------------------------------------------------


@plays
def a_broker_that_is_not_there_at_first_and_dies_in_the_middle() -> None:
    with bench() as b:
        daemon = b.run("--recipe", "test-knob", "--batches", "1")
        daemon.until_says("Batch 1: put an empty cup")
        daemon.until_says("MQTT: The broker at .* does not answer .*; pouring goes on")
        ear = b.listen()
        until(lambda: part_in_hand(ear, "A") and b.clockwork.world.poured_g > 4, "some of A")
        b.broker.kill()
        until(lambda: b.clockwork.world.poured_g > 17, "enough of A")
        b.clockwork.stop_pouring()
        daemon.until_says("A is in")
        b.broker.start()
        mixed(ear, 1)
        stops_in_time(daemon)
        nothing_is_missing(b, ear)


@plays
def a_broker_that_refuses_the_password() -> None:
    with bench() as b:
        b.broker = type(b.broker)(b.folder, password_for="caster")
        b.broker.start()
        url = b.broker.url.replace("//", "//caster@")
        env = {"BENCHPOUR_MQTT_PASSWORD": "hunter2"}
        daemon = b.run("--recipe", "test-knob", "--broker", url, env=env)
        said = daemon.until_says(r"[^\n]*refuse[^\n]*")
        assert "password" in said
        b.clockwork.put_a_cup()
        daemon.until_says(r"\[POUR\] A")
        assert "hunter2" not in daemon.text
        stops_in_time(daemon)


@plays
def brokers_of_our_own() -> None:
    """Either kind says who is there, and is gone with the daemon."""
    for which in ("embedded", "auto"):
        with bench() as b:
            daemon = b.run("--recipe", "test-knob", "--broker", which)
            url = daemon.until_says(rf"mqtt://{HOST}:\d+")
            ear = Listener(url)
            assert step(ear, "cup")["batch"] == 1
            stops_in_time(daemon)
            ear.close()
            assert mosquittos_of(b.store) == []


def mosquittos_of(store: Path) -> list[str]:
    found = subprocess.run(["pgrep", "-af", "mosquitto"], capture_output=True, text=True)
    return [line for line in found.stdout.splitlines() if str(store) in line]


@plays
def the_health_that_is_asked_for() -> None:
    """200 while scale, journal and broker are well, else 503 and what is not.

    Asked seldom enough not to be turned away as a flood.
    """
    calmly = partial(until, every_s=0.1)
    with bench() as b:
        config = b.folder / "benchpour.toml"
        config.write_text(config.read_text().replace("off = true", "port = 0"))
        b.listen()
        daemon = b.run("--recipe", "test-knob")
        url = daemon.until_says(r"http://127\.0\.0\.1:\d+") + "/healthz"
        calmly(lambda: health(url) == (200, {"ok": True}), "good health")
        b.clockwork.pull_out()
        status, said = calmly(lambda: ill(url, "scale"), "a scale that is missed")
        assert status == 503
        assert "went away" in said["scale"]
        b.broker.kill()
        calmly(lambda: ill(url, "broker"), "a broker that is missed")
        b.clockwork.plug_in()
        b.broker.start()
        calmly(lambda: health(url) == (200, {"ok": True}), "good health again")
        stops_in_time(daemon)


def health(url: str) -> tuple[int, dict[str, Any]]:
    try:
        with urllib.request.urlopen(url, timeout=5) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as error:
        return error.code, json.load(error)


def ill(url: str, what: str) -> tuple[int, dict[str, Any]] | None:
    status, said = health(url)
    return (status, said) if what in said else None


# --- the port -------------------------------------------------------------------------------------


@plays
def a_port_that_comes_late_and_goes_away_in_a_pour() -> None:
    with bench() as b:
        b.clockwork.pull_out()
        ear = b.listen()
        daemon = b.run("--recipe", "test-knob", "--batches", "1")
        lost = until(lambda: ear.events("scale.lost"), "the scale missed")[0]["data"]
        assert str(b.port) in lost["why"]
        b.clockwork.plug_in()
        until(lambda: part_in_hand(ear, "A") and b.clockwork.world.poured_g > 4, "some of A")
        b.clockwork.pull_out()
        until(lambda: len(ear.events("scale.lost")) == 2, "the scale missed again")
        assert step(ear, "away")["batch"] == 1
        b.clockwork.plug_in()
        mixed(ear, 1)
        assert len(ear.events("cup.tared")) == 1
        stops_in_time(daemon)
        nothing_is_missing(b, ear)


@plays
def two_programs_on_one_port() -> None:
    with bench() as b:
        ear = b.listen()
        b.run("--recipe", "test-knob")
        step(ear, "cup")
        until(lambda: ear.events("scale.found"), "the first one's scale")
        other = b.run(
            "--recipe", "test-knob", "--store", str(b.folder / "other"), "--broker", "none"
        )
        other.until_says("in use|another program|busy")
        stops_in_time(other)


# --- the store ------------------------------------------------------------------------------------


@plays
def two_daemons_on_one_store() -> None:
    with bench() as b:
        first = b.run("--recipe", "test-knob", "--broker", "none", under=("nohup",))
        first.until_says("put an empty cup")
        first.process.send_signal(signal.SIGHUP)  # the terminal it was started from is closed
        second = b.run("--recipe", "test-knob", "--broker", "none")
        assert second.ends() == 1
        assert f"process {first.process.pid}" in second.text
        assert second.text.count("\n") == 1
        stops_in_time(first)


@plays
def a_full_disk_that_gets_room_again() -> None:
    """What cannot be written is kept and written later; nobody hears of it before."""
    with bench() as b:
        ear = b.listen()
        daemon = b.run("--recipe", "test-knob", "--batches", "1")
        until(lambda: part_in_hand(ear, "A") and b.clockwork.world.poured_g > 4, "some of A")
        limits = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (4096, limits[1]))
        daemon.until_says("disk")
        told = len(ear.events())
        until(lambda: b.clockwork.world.poured_g > 17, "enough of A")
        b.clockwork.stop_pouring()
        daemon.until_says("A is in")
        assert len(ear.events()) == told
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, limits)
        mixed(ear, 1)
        stops_in_time(daemon)
        nothing_is_missing(b, ear)


@plays
def a_disk_that_is_full_at_the_end() -> None:
    """What could not be kept is said, and the exit status says it too."""
    with bench() as b:
        daemon = b.run("--recipe", "test-knob", "--broker", "none")
        daemon.until_says("put an empty cup")
        limits = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (4096, limits[1]))
        b.clockwork.put_a_cup()
        daemon.until_says("disk")
        status, took_s = daemon.stop()
        assert (status, took_s < IN_TIME_S) == (1, True)
        assert "benchpour: The disk" in daemon.text


@plays
def a_store_that_cannot_be_written() -> None:
    with bench() as b:
        b.store.mkdir()
        b.store.chmod(0o500)
        # The superuser may write anywhere, unless that right is given up.
        given_up = ("--bounding-set=-dac_override", "--inh-caps=-dac_override")
        under = ("setpriv", *given_up) if os.geteuid() == 0 else ()
        daemon = b.run("--recipe", "test-knob", "--broker", "none", under=under)
        assert daemon.ends() == 1
        assert "cannot be written" in daemon.text
        assert daemon.text.count("\n") == 1


# --- the terminal ---------------------------------------------------------------------------------


@plays
def a_terminal_that_is_given_back() -> None:
    """However it ends: by the key, by Ctrl-C, by a signal from elsewhere."""
    for end in (b"q", b"\x03", None):
        with bench() as b:
            screen = Terminal()
            before = screen.mode
            words = ("--recipe", "test-knob", "--broker", "none", "--console", "full")
            daemon = b.run(*words, terminal=screen)
            until(partial(shows, screen, "empty cup"), "the first prompt on the screen")
            assert screen.mode != before
            if end is None:
                daemon.process.terminate()
            else:
                screen.press(end)
            assert daemon.ends(IN_TIME_S) == 0
            assert screen.mode == before
            assert screen.text.endswith(LEAVE)
            screen.close()


def shows(screen: Terminal, words: str) -> bool:
    return words in screen.text


LEAVE = "\x1b[?7h\x1b[?25h\x1b[?1049l"


@plays
def keys_that_do_what_they_say() -> None:
    with bench() as b:
        screen = Terminal()
        words = ("--recipe", "test-knob", "--broker", "none", "--console", "full")
        daemon = b.run(*words, terminal=screen)
        until(lambda: "empty cup" in screen.text, "the first prompt on the screen")
        screen.press(b"x")
        until(lambda: "Give this batch up?" in screen.text, "the question")
        screen.press(b"y")
        until(lambda: "batch.abandoned" in [row.kind for row in b.journal()], "the end of it")
        until(lambda: 2 in [row.batch for row in b.journal()], "the next batch")
        screen.press(b"q")
        assert daemon.ends(IN_TIME_S) == 0
        screen.close()


# --- wrong use ------------------------------------------------------------------------------------


@plays
def wrong_use_and_bad_files() -> None:
    with bench() as b:
        (b.folder / "bad.toml").write_text('name = "x"\nshot_g = -1\n')
        (b.folder / "odd.toml").write_text("[scale]\nspeed = 9\n")
        cases = (
            (1, ("--recipe", str(b.folder / "bad.toml")), "bad.toml"),
            (1, ("--recipe", "nowhere"), "nowhere"),
            (1, ("--config", str(b.folder / "odd.toml")), "odd.toml"),
            (2, ("--batches", "0"), "--batches"),
            (2, ("--console", "loud"), "--console"),
            (2, ("--scale", "nosuch://x"), "nosuch"),
            (2, ("--broker", "ftp://x"), "ftp"),
            (1, ("--profile", "nosuch"), "nosuch"),
        )
        started = [(b.run(*words), status, shown) for status, words, shown in cases]
        for daemon, status, shown in started:
            assert daemon.ends() == status, daemon.text
            assert shown in daemon.text
            assert "Traceback" not in daemon.text
        assert not b.store.exists()


@pytest.fixture(scope="module", autouse=True)
def side_by_side(request: pytest.FixtureRequest) -> None:
    plays.begin(request)


@pytest.mark.parametrize("play", plays.names)
def test_play(play: str) -> None:
    assert plays.passed(play)
