"""Proves the cues against chance: `python -m tools.pour_bench`.

Owns the comparison and its tables. Knows nothing of how a pour is simulated or cued.

On the same drawn benches it runs cues on the reading (0.75 and 0.97 of the target), a hand that is
assumed and never learned, the program as it is, and an oracle that knows the true mass and flow and
the person's and the bottle's means. Errors are of the mass truly poured, top-ups included.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict
from multiprocessing import Pool

from tools.pour_trial import KINDS, Figure, Session

HEAD = (
    f"{'':<26}{'n':>5} {'median':>7} {'95 %':>6} {'>tol %':>7} {'>0.5 %':>7} {'>1 %':>6} "
    f"{'ratio':>6} {'top-up':>7} {'sec':>6} {'lost':>5}"
)
BINS = (-1.0, -0.5, -0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3, 0.5, 1.0)
WIDTH = 40


def _session(job: tuple[int, str, int, bool]) -> list[Figure]:
    return Session(*job).run()


def quantile(values: Iterable[float], q: float) -> float:
    """Linear between order statistics; NaN of nothing."""
    ordered = sorted(values)
    if not ordered:
        return float("nan")
    x = q * (len(ordered) - 1)
    low = int(x)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (x - low) * (ordered[high] - ordered[low])


def share_pct(figures: list[Figure], over: Callable[[Figure], bool]) -> float:
    """Percent of the pours of which `over` holds."""
    return 100.0 * sum(map(over, figures)) / max(1, len(figures))


def row(name: str, figures: list[Figure]) -> str:
    """One line of the table: grams, percent of pours, percent of ratio, top-ups a pour, seconds."""
    errors = [abs(f.error_g) for f in figures]
    ratios = [abs(f.ratio_error_pct) for f in figures if f.ratio_error_pct is not None]
    n = max(1, len(figures))
    return (
        f"{name:<26}{len(figures):>5} {quantile(errors, 0.5):>7.3f} {quantile(errors, 0.95):>6.2f} "
        f"{share_pct(figures, lambda f: f.error_g > f.tolerance_g):>7.1f} "
        f"{share_pct(figures, lambda f: f.error_g > 0.5):>7.1f} "
        f"{share_pct(figures, lambda f: f.error_g > 1.0):>6.1f} "
        f"{quantile(ratios, 0.95):>6.2f} {sum(f.top_ups for f in figures) / n:>7.2f} "
        f"{sum(f.seconds for f in figures) / n:>6.1f} {sum(not f.finished for f in figures):>5}"
    )


def plot(figures: list[Figure]) -> list[str]:
    """Landing errors as bars of text, from far short to far over."""
    counts = [0] * (len(BINS) + 1)
    for f in figures:
        counts[sum(f.error_g >= edge for edge in BINS)] += 1
    names = ["below", *(f"{low:+.1f}" for low in BINS)]
    most = max(1, *counts)
    return [
        f"  {name:>6} g {'#' * round(WIDTH * c / most):<{WIDTH}} {c}"
        for name, c in zip(names, counts, strict=True)
    ]


def tables(by: dict[str, list[Figure]]) -> list[str]:
    """All tables and plots: from the fourth pour, by scale class, by pour number."""
    lines = [HEAD, "From a person's fourth pour"]
    late = {k: [f for f in figures if f.number >= 4] for k, figures in by.items()}
    lines += [row(f"  {k}", figures) for k, figures in late.items()]
    for c in sorted({f.scale_class for figures in by.values() for f in figures}):
        lines.append(f"Display in steps of {c}")
        lines += [row(f"  {k}", [f for f in v if f.scale_class == c]) for k, v in late.items()]
    for k in (k for k in by if k in ("learned", "oracle")):
        lines.append(f"By pour number, {k}")
        for low, high in ((1, 1), (2, 2), (3, 3), (4, 6), (7, 10), (11, 99)):
            some = [f for f in by[k] if low <= f.number <= high]
            lines += [row(f"  {low} to {high}", some)] if some else []
    for k, figures in late.items():
        lines += [f"Landing errors from the fourth pour, {k}", *plot(figures)]
    return lines


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tools.pour_bench",
        description="Cues on the reading, a fixed hand, the program and an oracle, compared.",
    )
    parser.add_argument("--benches", type=int, default=40, help="drawn benches (default 40)")
    parser.add_argument("--batches", type=int, default=5, help="batches of two parts on each")
    parser.add_argument("--first", type=int, default=0, help="number of the first bench")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--kinds", default=",".join(KINDS), help="which ways of giving cues")
    parser.add_argument("--wide", action="store_true", help="the whole of every range at once")
    parser.add_argument("--json", action="store_true", help="every pour as a line of JSON instead")
    return parser.parse_args()


def main() -> int:
    """Run the comparison and print it."""
    args = _arguments()
    kinds = args.kinds.split(",")
    numbers = range(args.first, args.first + args.benches)
    jobs = [(number, kind, args.batches, args.wide) for number in numbers for kind in kinds]
    began = time.perf_counter()
    with Pool(args.jobs) as pool:
        done = pool.map(_session, jobs, chunksize=2)
    if args.json:
        for (_, kind, _, _), figures in zip(jobs, done, strict=True):
            for f in figures:
                print(json.dumps({"kind": kind, **asdict(f)}))
        return 0
    by: dict[str, list[Figure]] = {kind: [] for kind in kinds}
    for (_, kind, _, _), figures in zip(jobs, done, strict=True):
        by[kind] += figures
    print("\n".join(tables(by)))
    print(f"{len(jobs)} sessions in {time.perf_counter() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
