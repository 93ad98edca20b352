"""`log` and `replay` as a person calls them: what is printed, and with which exit status."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import main
from daemon.cli_log_cues import compare_lines
from daemon.cli_log_export import export
from daemon.cli_log_tables import state_of, table, whole
from daemon.inputs import Raw
from daemon.journal import Entry, EventRow, Journal
from daemon.logfile import Event, LogError
from drivers.scale_profile import parse_profile, shipped_files
from tests.kit_bench import SimBench, one_fill, slate, two_knobs

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return two_knobs().journal(tmp_path_factory.mktemp("two"))


@pytest.fixture(scope="module")
def knob(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The log of batch 1 as a file."""
    path = tmp_path_factory.mktemp("log") / "batch 1.jsonl"
    assert main(["log", "export", "1", "-o", str(path), "--store", str(store)]) == 0
    return path


def called(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    """Exit status, what was printed, and what was said on stderr."""
    try:
        status = main([str(word) for word in words])
    except SystemExit as end:
        status = int(end.code or 0)
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return status, out, err


# A batch told by hand: A lands 0.2 g heavy, B is short once, then lands; and what followed.
def told(seconds: float, kind: str, data: dict[str, Any], seq: int = 0) -> Event:
    whole_s = int(seconds)
    at = f"2026-11-02T09:30:{whole_s:02d}.{round((seconds - whole_s) * 1000):03d}Z"
    return Event(round(seconds * 1e6), seq, at, kind, 4, data)


TIMER = {"timer": "pot-life-4", "timer_kind": "pot-life", "ends_at": "2026-11-02T09:33:20.000Z"}
OPENED = [{"name": "A", "target_g": 70.0}, {"name": "B", "target_g": 63.0}]
HISTORY = [
    told(0.0, "batch.opened", {"recipe": "Slate knob", "parts": OPENED}),
    told(2.0, "part.started", {"part": "A", "target_g": 70.0, "stops_g": {}}),
    told(5.0, "stop.coarse", {"part": "A", "reading_g": 50.0, "flow": 18.0, "landing_g": 55.0}),
    told(9.0, "stop.fine", {"part": "A", "reading_g": 68.5, "flow": 2.0, "landing_g": 70.05}),
    told(11.0, "part.landed",
         {"part": "A", "target_g": 70.0, "actual_g": 70.2, "error_g": 0.2, "seconds": 8.5}),
    told(12.0, "part.started", {"part": "B", "target_g": 63.18, "stops_g": {}}),
    told(20.0, "mix.contact", {"pot_life_s": 180.0, "basis": "By the data sheet."}),
    told(20.0, "timer.started", TIMER),
    told(24.0, "stop.fine", {"part": "B", "reading_g": 60.0, "flow": 2.5, "landing_g": 62.9}),
    told(26.0, "part.short", {"part": "B", "actual_g": 61.9, "short_g": 1.28}),
    told(29.0, "stop.fine", {"part": "B", "reading_g": 62.4, "flow": 1.5, "landing_g": 63.1}),
    told(31.0, "part.landed",
         {"part": "B", "target_g": 63.18, "actual_g": 63.0, "error_g": -0.18, "seconds": 11.0}),
    told(31.0, "batch.mixed",
         {"parts": [{"name": "A", "target_g": 70.2, "actual_g": 70.2},
                    {"name": "B", "target_g": 63.18, "actual_g": 63.0}],
          "ratio_error_pct": -0.285, "dye_g": 0.76, "total_g": 133.2, "index": 105.3}),
    told(40.0, "batch.marked", {"kind": "gelled", "seconds": 20.0}),
    told(41.0, "timer.cleared", TIMER),
    told(50.0, "batch.counted", {"good": 5, "rejected": 1, "cause": "bubbles", "mold": 2}),
    told(51.0, "scale.lost", {"port": "p", "why": "unplugged"}),
    told(55.0, "batch.closed", {"reason": "finished"}),
]  # fmt: skip


# --- list and show -------------------------------------------------------------------------------


def test_a_batch_is_told_with_what_was_predicted_and_what_happened() -> None:
    found = whole(HISTORY)
    assert (found["batch"], found["recipe"], found["state"]) == (4, "Slate knob", "closed")
    a, b = found["parts"]
    assert (a["target_g"], a["actual_g"], a["error_g"], a["seconds"]) == (70.0, 70.2, 0.2, 8.5)
    assert (b["target_g"], b["actual_g"], b["error_g"], b["seconds"]) == (63.18, 63.0, -0.18, 11.0)
    assert [cue["landed_g"] for cue in a["cues"]] == [None, 70.2]
    assert [cue["landed_g"] for cue in b["cues"]] == [61.9, 63.0]
    assert found["clocks"] == [
        {
            "timer": "pot-life-4",
            "kind": "pot-life",
            "started_at": "2026-11-02T09:30:20.000Z",
            "ends_at": "2026-11-02T09:33:20.000Z",
            "state": "cleared",
        }
    ]
    assert found["mix"]["total_g"] == 133.2
    assert found["ended"]["reason"] == "finished"


def _store_of(events: list[Event], folder: Path) -> Path:
    rows = [
        EventRow(seq, event.at_us, event.at, event.kind, event.batch, event.data)
        for seq, event in enumerate(events, 1)
    ]
    journal = Journal(folder, write=True)
    journal.append(Entry(inputs=[(1, Raw(0, b"x"))], events=[(row, 1) for row in rows]))
    journal.close()
    return folder


def test_show_prints_a_table_of_cues_and_all_that_followed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = _store_of(HISTORY, tmp_path)
    status, out, _ = called(capsys, "log", "show", "4", "--store", store)
    assert status == 0
    assert out.splitlines() == [
        "Batch 4: Slate knob",
        "Opened 2026-11-02 09:30:00 UTC; closed. Finished.",
        "Mixed: 133.20 g in the cup, ratio off by -0.28 %, index 105.3.",
        "Pot life 180 s: By the data sheet.",
        "",
        "part  target g  in cup g  off by g  seconds",
        "A        70.00     70.20     +0.20      8.5",
        "B        63.18     63.00     -0.18     11.0",
        "",
        "What was predicted, and what happened",
        "  part  cue         at s  reading g  flow g/s  lands near g   landed g  more g",
        "  A     ease off   5.000      50.00     18.00         55.00  poured on       -",
        "  A     stop       9.000      68.50      2.00         70.05      70.20   +0.15",
        "  B     stop      24.000      60.00      2.50         62.90      61.90   -1.00",
        "  B     stop      29.000      62.40      1.50         63.10      63.00   -0.10",
        "",
        "Clocks (UTC)",
        "  clock       started   ends      state",
        "  pot-life-4  09:30:20  09:33:20  cleared",
        "",
        "Marks (UTC)",
        "  2026-11-02 09:30:40  gelled after 20 s",
        "",
        "Counted (UTC)",
        "  2026-11-02 09:30:50  5 good, 1 rejected, cause bubbles, mold 2",
        "",
        "Scale (UTC)",
        "  2026-11-02 09:30:51  scale.lost: unplugged",
    ]


def test_a_part_accepted_too_heavy_is_judged_by_its_own_target() -> None:
    events = [
        *HISTORY[:4],
        told(11.0, "part.over", {"part": "A", "actual_g": 72.0, "over_g": 2.0, "plan": {}}),
        told(15.0, "mix.corrected",
             {"parts": [{"name": "A", "target_g": 72.0}, {"name": "B", "target_g": 64.8}],
              "reason": "accepted"}),
    ]  # fmt: skip
    a, b = whole(events)["parts"]
    assert (a["target_g"], a["actual_g"], a["error_g"]) == (70.0, 72.0, 2.0)
    assert (b["target_g"], b["actual_g"]) == (64.8, None)


@pytest.mark.parametrize(
    ("last", "state"),
    [(1, "open"), (12, "open"), (13, "mixed"), (17, "mixed"), (18, "closed")],
)
def test_a_state_is_the_last_thing_that_became_of_a_batch(last: int, state: str) -> None:
    assert state_of(HISTORY[:last]) == state


def test_list_has_a_line_for_each_batch(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = called(capsys, "log", "list", "--store", store)
    head, first, second = out.splitlines()
    assert status == 0
    assert head.split() == ["batch", "opened", "(UTC)", "state", "recipe", "in", "the", "cup"]
    assert first.startswith("    1  2026-01-01 00:00:00  mixed  Slate knob, fast urethane  A ")
    assert second.startswith("    2  ")


def test_list_as_json_has_the_promised_members(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = called(capsys, "log", "list", "--json", "--store", store)
    listed = [json.loads(line) for line in out.splitlines()]
    assert [one["batch"] for one in listed] == [1, 2]
    for one in listed:
        assert list(one) == ["batch", "recipe", "at", "state", "parts"]
        assert [part["name"] for part in one["parts"]] == ["A", "B"]
    landed = [e.data for e in two_knobs().events if e.kind == "part.landed" and e.batch == 1]
    assert [part["actual_g"] for part in listed[0]["parts"]] == [x["actual_g"] for x in landed]


def test_show_as_json_is_one_object(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = called(capsys, "log", "show", "2", "--json", "--store", store)
    assert out.count("\n") == 1
    assert json.loads(out)["batch"] == 2


@pytest.mark.parametrize("words", [("show", "9"), ("export", "9")])
def test_a_batch_that_is_not_there_is_told(
    store: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    status, out, err = called(capsys, "log", *words, "--store", store)
    assert (status, out) == (1, "")
    assert err == (
        "benchpour: There is no batch 9 in this store; `benchpour log list` shows them.\n"
    )


@pytest.mark.parametrize("words", [(), ("show",), ("show", "0"), ("show", "one"), ("weigh",)])
def test_wrong_use_ends_with_status_2(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    status, _, err = called(capsys, "log", *words)
    assert status == 2
    assert "usage: benchpour log" in err


def test_a_store_without_a_journal_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, _, err = called(capsys, "log", "list", "--store", tmp_path / "none")
    assert status == 1
    assert "There is no journal in" in err


def test_a_store_without_a_batch_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _store_of([], tmp_path)
    assert called(capsys, "log", "list", "--store", tmp_path)[1].startswith("No batch")
    assert called(capsys, "log", "list", "--json", "--store", tmp_path)[1] == ""


# --- export --------------------------------------------------------------------------------------


def test_export_prints_what_it_writes(
    store: Path, knob: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, _ = called(capsys, "log", "export", "1", "--store", store)
    assert status == 0
    assert out == knob.read_text(encoding="utf-8")


def test_an_export_of_no_batch_leaves_no_file(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out.jsonl"
    assert called(capsys, "log", "export", "9", "-o", out, "--store", store)[0] == 1
    assert not out.exists()


def test_an_export_into_a_folder_that_is_not_there_is_told(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "no" / "out.jsonl"
    status, _, err = called(capsys, "log", "export", "1", "-o", out, "--store", store)
    assert status == 1
    assert "No such file or directory" in err


def test_a_batch_that_is_still_poured_is_exported_as_far_as_it_is_written(tmp_path: Path) -> None:
    """A daemon writes meanwhile: inputs that are newer than the events seen are left out."""
    folder = two_knobs().journal(tmp_path)
    whole_log = two_knobs().log(2, folder)
    journal = Journal(folder, write=False)
    looks = iter([5, journal.last_input(), journal.last_input(), journal.last_input()])
    busy = _Busy(journal, lambda: next(looks, journal.last_input()))
    assert list(export(busy, 2, lambda name: None)) == whole_log
    journal.close()


class _Busy:
    """A journal whose last input moves between two looks."""

    def __init__(self, journal: Journal, last_input: Any) -> None:
        self.state_before, self.state_after = journal.state_before, journal.state_after
        self.inputs, self.events_between = journal.inputs, journal.events_between
        self.last_seq, self.last_input = journal.last_seq, last_input


def test_a_line_shape_of_ones_own_goes_into_the_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = next(file for file in shipped_files() if file.stem == "flag-comma-signed")
    text = file.read_text(encoding="utf-8").replace("flag-comma-signed", "my-own-scale")
    poured = SimBench(slate(), 21, shape=parse_profile(text), limit_s=8.0).pour()
    store = poured.journal(tmp_path / "store")
    words = ("log", "export", "1", "--store", store)

    status, _, err = called(capsys, *words)
    assert status == 1
    assert "my-own-scale, which does not ship" in err

    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    (tmp_path / "c.toml").write_text(f'[scale]\nprofile = "{tmp_path / "mine.toml"}"\n')
    named = called(capsys, *words, "--config", tmp_path / "c.toml")

    journal = Journal(store, write=True)
    journal.append(Entry(meta={"shape.my-own-scale": text}))
    journal.close()
    kept = called(capsys, *words)
    assert named == kept
    assert json.loads(kept[1].split("\n")[0])["scale"]["shapes"] == {"my-own-scale": text}


# --- replay --------------------------------------------------------------------------------------


def test_verify_says_how_many_events_came_out_alike(
    knob: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    logged = knob.read_text(encoding="utf-8").count('"event":')
    assert called(capsys, "replay", knob, "--verify") == (
        0,
        f"{logged} events came out as logged.\n",
        "",
    )


def test_verify_tells_the_first_difference_and_fails(
    knob: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = knob.read_text(encoding="utf-8")
    at = text.index('"cup_g":') + len('"cup_g":')
    changed = tmp_path / "changed.jsonl"
    changed.write_text(f"{text[:at]}9{text[at:]}", encoding="utf-8")
    status, out, err = called(capsys, "replay", changed, "--verify")
    assert (status, out) == (1, "")
    assert "cup.tared" in err
    assert "cup_g was 98.3" in err
    assert err.count("\n") == 1


def test_a_cut_log_is_played_to_the_cut_and_says_so(
    knob: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cut = tmp_path / "cut.jsonl"
    cut.write_bytes(knob.read_bytes()[:-100])
    status, out, err = called(capsys, "replay", cut, "--verify")
    assert status == 0
    assert "came out as logged" in out
    assert "The log is cut off after line" in err


def test_a_damaged_line_is_told_with_its_number(
    knob: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = knob.read_text(encoding="utf-8").splitlines()
    damaged = tmp_path / "damaged.jsonl"
    damaged.write_text("\n".join([*lines[:9], lines[9][:-3], *lines[10:]]), encoding="utf-8")
    for words in (["--verify"], ["--speed", "max"], ["--json"], ["--set", "risk_pct=3"]):
        status, _, err = called(capsys, "replay", damaged, *words)
        assert status == 1
        assert "Line 10 of the log" in err


def test_json_prints_the_events_that_come_out(
    knob: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = knob.read_text(encoding="utf-8").splitlines()
    logged = [json.loads(line)["event"] for line in lines if '"event":' in line]
    status, out, err = called(capsys, "replay", knob, "--json")
    assert (status, err) == (0, "")
    assert [json.loads(line) for line in out.splitlines()] == logged
    assert list(logged[0]) == ["seq", "at", "kind", "batch", "data"]
    assert called(capsys, "replay", knob, "--json", "--verify")[1] == out


def test_without_waiting_every_line_of_the_screen_is_printed(
    knob: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, _ = called(capsys, "replay", knob, "--speed", "max")
    assert status == 0
    lines = out.splitlines()
    assert all(line[2] == line[5] == ":" for line in lines)
    assert any("> Pour A: 69.5 g." in line for line in lines)
    assert any("[EASE OFF] A:" in line for line in lines)
    assert any("A is in:" in line for line in lines)
    assert called(capsys, "replay", knob, "--speed", "max", "--console", "none")[1] == ""


def test_in_real_time_it_sounds_into_a_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log, wav = tmp_path / "fill.jsonl", tmp_path / "fill.wav"
    lines = one_fill().log(1, tmp_path / "store")
    log.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    status, out, _ = called(capsys, "replay", log, "--speed", "100", "--sound", f"file:{wav}")
    assert status == 0
    assert "[STOP] A:" in out
    assert wav.read_bytes()[:4] == b"RIFF"
    assert wav.stat().st_size > 1000


def test_set_shows_when_the_cues_would_have_come(
    knob: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, _ = called(
        capsys, "replay", knob, "--set", "stops.coarse=0.5", "--set", "stops.fine=0.9"
    )
    assert status == 0
    lines = out.splitlines()
    assert lines[0] == "What would have happened with stops.coarse=0.5, stops.fine=0.9:"
    ease = next(line for line in lines if "ease off" in line)
    assert ease.startswith("A ")
    assert ease.endswith("s earlier")
    assert "does not change" in lines[-1]


def test_the_cues_then_and_now_stand_side_by_side() -> None:
    would = [
        told(4.5, "stop.coarse", {"part": "A", "reading_g": 42.0}),
        told(9.0, "stop.fine", {"part": "A", "reading_g": 68.5}),
        told(31.25, "part.landed", {"part": "B", "actual_g": 63.0}),
        told(33.0, "part.over", {"part": "B", "actual_g": 64.0}),
    ]
    assert compare_lines(HISTORY, would, 0, "risk_pct=9")[:-1] == [
        "What would have happened with risk_pct=9:",
        "part            was at s      g  would be at s      g",
        "A     ease off     5.000  50.00          4.500  42.00  0.500 s earlier",
        "A     stop         9.000  68.50          9.000  68.50  the same",
        "A     landed      11.000  70.20              -      -  would not come",
        "B     stop        24.000  60.00              -      -  would not come",
        "B     short       26.000  61.90              -      -  would not come",
        "B     stop (2)    29.000  62.40              -      -  would not come",
        "B     landed      31.000  63.00         31.250  63.00  0.250 s later",
        "B     over             -      -         33.000  64.00  would come",
    ]


def test_another_recipe_is_found_by_name_and_by_file(
    knob: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sample = ROOT / "recipes" / "samples" / "slate-knob.toml"
    mine = tmp_path / "mine.toml"
    mine.write_text(sample.read_text(encoding="utf-8").replace("132.0", "150.0"), encoding="utf-8")
    status, out, _ = called(capsys, "replay", knob, "--recipe", mine, "--json")
    opened = json.loads(out.splitlines()[0])
    assert status == 0
    assert opened["data"]["parts"][0]["target_g"] == pytest.approx(150 * 100 / 190, abs=1e-3)
    assert "recipe slate-knob" in called(capsys, "replay", knob, "--recipe", "slate-knob")[1]
    assert called(capsys, "replay", knob, "--recipe", "no-such")[0] == 1


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--verify", "--set", "risk_pct=3"], 2, "--verify looks at the log as it was"),
        (["--set", "stops.corse=1"], 2, "perhaps stops.coarse is meant"),
        (["--set", "stops.coarse"], 2, "give a key and a value"),
        (["--set", "hand.lead_s=soon"], 2, "expected a number from 0.001"),
        (["--speed", "0"], 2, "max, or a number from 0.01"),
        (["--speed", "nan"], 2, "max, or a number from 0.01"),
        (["--sound", "trumpet", "--speed", "1000"], 1, '"trumpet" is no place for sound'),
    ],
)
def test_what_cannot_be_done_is_told(
    knob: Path, capsys: pytest.CaptureFixture[str], words: list[str], status: int, said: str
) -> None:
    found, _, err = called(capsys, "replay", knob, *words)
    assert found == status
    assert said in err


@pytest.mark.parametrize("content", [None, b"", b"\x00\xff\n", b"{}\n", b'{"benchpour_log": 1'])
def test_a_file_that_is_no_log_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes | None
) -> None:
    path = tmp_path / "x.jsonl"
    if content is not None:
        path.write_bytes(content)
    status, out, err = called(capsys, "replay", path)
    assert (status, out) == (1, "")
    assert "`benchpour log export BATCH" in err


def test_columns_are_as_wide_as_they_have_to_be() -> None:
    assert table(("a", "bb"), [("1", "2"), ("333", "4")], right=(0,)) == [
        "  a  bb",
        "  1  2",
        "333  4",
    ]


def test_an_error_of_a_log_carries_its_exit_status() -> None:
    with pytest.raises(LogError) as caught:
        raise LogError("x", 2)
    assert caught.value.status == 2


def test_the_program_itself_verifies_from_standard_input(knob: Path) -> None:
    """A real process, a pipe, and an exit status that a script can act on."""
    run = [sys.executable, "-m", "daemon", "replay", "-", "--verify"]
    text = knob.read_bytes()
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    good = subprocess.run(run, input=text, capture_output=True, env=env, cwd=ROOT, check=False)
    assert (good.returncode, good.stderr) == (0, b"")
    bad = text.replace(b'"kind":"cup.tared"', b'"kind":"cup.stolen"')
    found = subprocess.run(run, input=bad, capture_output=True, env=env, cwd=ROOT, check=False)
    assert found.returncode == 1
    assert found.stderr.startswith(b"benchpour: Event ")
    assert b"cup.stolen" in found.stderr
    assert b"Traceback" not in found.stderr
