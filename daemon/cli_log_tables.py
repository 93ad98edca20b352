"""A batch told from its events: what `log list` and `log show` print, as values and as lines.

Owns which events say what of a batch, and the columns. Reads no journal and prints nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from daemon.logfile import Event

_ENDS = {"batch.mixed": "mixed", "batch.closed": "closed", "batch.abandoned": "abandoned"}
_LANDINGS = ("part.short", "part.landed", "part.over")
_CUES = {"stop.coarse": "ease off", "stop.fine": "stop"}
_TIMERS = ("timer.started", "timer.warned", "timer.ended", "timer.cleared")

Told = dict[str, Any]


def summary(events: Sequence[Event]) -> Told:
    """One batch in a line: `batch`, `recipe`, `at` (when it opened), `state`, `parts`."""
    opened = events[0]
    parts = [
        {key: part[key] for key in ("name", "target_g", "actual_g", "error_g")}
        for part in parts_of(events)
    ]
    return {
        "batch": opened.batch,
        "recipe": opened.data.get("recipe", ""),
        "at": opened.at,
        "state": state_of(events),
        "parts": parts,
    }


def state_of(events: Iterable[Event]) -> str:
    """How far a batch is: open, mixed, closed or abandoned."""
    found = [_ENDS[event.kind] for event in events if event.kind in _ENDS]
    return found[-1] if found else "open"


def whole(events: Sequence[Event]) -> Told:
    """Everything that is known of a batch, however long after the dispense."""
    mixed = next((e.data for e in reversed(events) if e.kind == "batch.mixed"), None)
    return summary(events) | {
        "parts": parts_of(events),
        "mix": None if mixed is None else {k: v for k, v in mixed.items() if k != "parts"},
        "contact": next((e.data | {"at": e.at} for e in events if e.kind == "mix.contact"), None),
        "clocks": clocks_of(events),
        "marks": [{"at": e.at} | e.data for e in events if e.kind == "batch.marked"],
        "counts": [{"at": e.at} | e.data for e in events if e.kind == "batch.counted"],
        "trouble": [
            {"at": e.at, "kind": e.kind} | e.data for e in events if e.kind.startswith("scale.")
        ],
        "ended": next(
            (
                {"at": e.at} | e.data
                for e in events
                if e.kind in ("batch.closed", "batch.abandoned")
            ),
            None,
        ),
    }


def parts_of(events: Sequence[Event]) -> list[Told]:
    """Each part: target, actual, error, seconds, and its cues with what became of them."""
    parts: dict[str, Told] = {}
    for event in events:
        for part in event.data.get("parts") or ():
            _aim(parts.setdefault(part["name"], _blank(part["name"])), part)
        if event.data.get("part") in parts:
            _follow(parts[event.data["part"]], event, events[0].at_us)
    for part in parts.values():
        if part["actual_g"] is not None:
            part["error_g"] = round(part["actual_g"] - part["target_g"], 3) + 0.0
    return list(parts.values())


def _blank(name: str) -> Told:
    nothing = dict.fromkeys(("target_g", "actual_g", "error_g", "seconds"))
    return {"name": name} | nothing | {"cues": []}


def _aim(part: Told, told: Told) -> None:
    """A target counts until the part has been poured; what it is judged by stands from then on."""
    if part["actual_g"] is None:
        part["target_g"] = told["target_g"]
    part["actual_g"] = told.get("actual_g", part["actual_g"])


def _follow(part: Told, event: Event, start_us: int) -> None:
    data = event.data
    if event.kind in ("part.started", "part.landed"):
        part["target_g"] = data["target_g"]
    if event.kind in _CUES:
        cue = {"cue": event.kind, "t": round((event.at_us - start_us) / 1e6, 6)}
        told = {key: data.get(key) for key in ("reading_g", "flow", "landing_g")}
        part["cues"].append(cue | told | {"landed_g": None})
    elif event.kind in _LANDINGS:
        part["actual_g"] = data["actual_g"]
        part["seconds"] = data.get("seconds", part["seconds"])
        for cue in part["cues"]:
            if cue["landed_g"] is None and cue["cue"] == "stop.fine":
                cue["landed_g"] = data["actual_g"]


def clocks_of(events: Iterable[Event]) -> list[Told]:
    """Each clock: when it started, when it ends or ended, and how it stands."""
    clocks: dict[str, Told] = {}
    for event in events:
        if event.kind not in _TIMERS:
            continue
        data, state = event.data, event.kind.removeprefix("timer.")
        clock = clocks.setdefault(
            data["timer"],
            {"timer": data["timer"], "kind": data["timer_kind"], "started_at": event.at},
        )
        clock |= {"ends_at": data["ends_at"], "state": "running" if state == "started" else state}
    return list(clocks.values())


# --- as lines ------------------------------------------------------------------------------------


def list_lines(summaries: Iterable[Told]) -> list[str]:
    """`log list` for a person."""
    rows = [
        (str(s["batch"]), _short(s["at"]), s["state"], s["recipe"], _parts_in_a_line(s["parts"]))
        for s in summaries
    ]
    return table(("batch", "opened (UTC)", "state", "recipe", "in the cup"), rows, right=(0,))


def _parts_in_a_line(parts: Iterable[Told]) -> str:
    told = [f"{p['name']} {grams(p['actual_g'])} of {grams(p['target_g'])} g" for p in parts]
    return ", ".join(told)


def show_lines(told: Told) -> list[str]:
    """`log show` for a person."""
    return [
        f"Batch {told['batch']}: {told['recipe']}",
        f"Opened {_short(told['at'])} UTC; {told['state']}.{_reason(told['ended'])}",
        *_mix_lines(told["mix"], told["contact"]),
        "",
        *_part_lines(told["parts"]),
        *_section("What was predicted, and what happened", _cue_lines(told["parts"])),
        *_section("Clocks (UTC)", _clock_lines(told["clocks"])),
        *_section("Marks (UTC)", [f"{_short(m['at'])}  {_mark(m)}" for m in told["marks"]]),
        *_section("Counted (UTC)", [f"{_short(c['at'])}  {_count(c)}" for c in told["counts"]]),
        *_section("Scale (UTC)", [_trouble(t) for t in told["trouble"]]),
    ]


def _section(title: str, lines: Sequence[str]) -> list[str]:
    return ["", title, *(f"  {line}" for line in lines)] if lines else []


def _reason(ended: Told | None) -> str:
    return f" {str(ended['reason']).capitalize()}." if ended and ended.get("reason") else ""


def _mix_lines(mix: Told | None, contact: Told | None) -> list[str]:
    lines = []
    if mix is not None:
        ratio, index = mix.get("ratio_error_pct"), mix.get("index")
        off = "" if ratio is None else f", ratio off by {ratio:+.2f} %"
        chemistry = "" if index is None else f", index {index:g}"
        lines.append(f"Mixed: {grams(mix.get('total_g'))} g in the cup{off}{chemistry}.")
    if contact is not None:
        lines.append(f"Pot life {contact['pot_life_s']:g} s: {contact.get('basis', '')}")
    return lines


def _part_lines(parts: Iterable[Told]) -> list[str]:
    rows = [
        (
            part["name"],
            grams(part["target_g"]),
            grams(part["actual_g"]),
            grams(part["error_g"], sign=True),
            "-" if part["seconds"] is None else f"{part['seconds']:.1f}",
        )
        for part in parts
    ]
    return table(("part", "target g", "in cup g", "off by g", "seconds"), rows, right=(1, 2, 3, 4))


def _cue_lines(parts: Iterable[Told]) -> list[str]:
    rows = [_cue_row(part["name"], cue) for part in parts for cue in part["cues"]]
    head = ("part", "cue", "at s", "reading g", "flow g/s", "lands near g", "landed g", "more g")
    return table(head, rows, right=(2, 3, 4, 5, 6, 7)) if rows else []


def _cue_row(part: str, cue: Told) -> tuple[str, ...]:
    near, landed = cue["landing_g"], cue["landed_g"]
    more = None if near is None or landed is None else landed - near
    flow = "-" if cue["flow"] is None else f"{cue['flow']:.2f}"
    what = "poured on" if cue["cue"] == "stop.coarse" else grams(landed)
    figures = (grams(cue["reading_g"]), flow, grams(near), what, grams(more, sign=True))
    return (part, _CUES[cue["cue"]], f"{cue['t']:.3f}", *figures)


def _clock_lines(clocks: Iterable[Told]) -> list[str]:
    rows = [(c["timer"], _clock(c["started_at"]), _clock(c["ends_at"]), c["state"]) for c in clocks]
    return table(("clock", "started", "ends", "state"), rows) if rows else []


def _mark(mark: Told) -> str:
    seconds = f" after {mark['seconds']:g} s" if "seconds" in mark else ""
    return f"{mark['kind']}{seconds}"


def _count(count: Told) -> str:
    more = [f"{key} {count[key]}" for key in ("cause", "mold", "cavity") if key in count]
    return ", ".join([f"{count['good']} good, {count['rejected']} rejected", *more])


def _trouble(trouble: Told) -> str:
    return f"{_short(trouble['at'])}  {trouble['kind']}: {trouble.get('why', '')}"


def grams(value: float | None, *, sign: bool = False) -> str:
    """Grams to the hundredth; a hyphen for what is not known."""
    if value is None:
        return "-"
    return f"{round(value, 2) + 0.0:{'+' if sign else ''}.2f}"


def _short(at: str) -> str:
    """An RFC 3339 time as a person reads it: the day, a blank, the second."""
    return at[:19].replace("T", " ")


def _clock(at: str) -> str:
    return at[11:19]


def table(
    head: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int] = ()
) -> list[str]:
    """Columns as wide as they have to be; those named in `right` stand to the right."""
    every = [tuple(head), *(tuple(row) for row in rows)]
    widths = [max(len(row[i]) for row in every) for i in range(len(head))]
    return [
        "  ".join(
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in every
    ]
