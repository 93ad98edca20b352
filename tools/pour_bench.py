"""Proves the cues against chance."""

from __future__ import annotations

import argparse
import sys
import time
from multiprocessing import Pool

from tools.pour_trial import KINDS, Figure, Session


def _session(job: tuple[int, str, int]) -> list[Figure]:
    number, kind, batches = job
    return Session(number, kind, batches).run()


def quantile(values: list[float], q: float) -> float:
    """Linear between order statistics."""
    v = sorted(values)
    if not v:
        return float("nan")
    x = q * (len(v) - 1)
    i = int(x)
    return v[i] + (x - i) * (v[min(i + 1, len(v) - 1)] - v[i])


def row(name: str, f: list[Figure]) -> str:
    """One line of the table."""
    e = [abs(x.error_g) for x in f]
    n = max(1, len(f))
    return (
        f"{name:<26}{len(f):>5} {quantile(e, 0.5):>7.3f} {quantile(e, 0.95):>7.3f} "
        f"{100 * sum(x.error_g > x.tolerance_g for x in f) / n:>7.1f} "
        f"{100 * sum(x.error_g > 0.5 for x in f) / n:>7.1f} "
        f"{100 * sum(x.error_g > 1.0 for x in f) / n:>7.1f} "
        f"{sum(x.top_ups for x in f) / n:>6.2f} "
        f"{quantile([x.seconds for x in f], 0.5):>6.1f} {sum(x.seconds for x in f) / n:>6.1f} "
        f"{sum(not x.finished for x in f):>4} {quantile([x.trickle_s for x in f], 0.5):>5.1f}"
    )


COLUMNS = ("med g", "95% g", ">tol %", ">.5 %", ">1 %")
HEAD = "".join(
    (
        f"{'':<26}{'n':>5} ",
        " ".join(f"{name:>7}" for name in COLUMNS),
        f" {'topup':>6} {'s med':>6} {'s avg':>6} {'dnf':>4} {'trk':>5}",
    )
)


def main() -> int:
    """Run and print."""
    a = argparse.ArgumentParser()
    a.add_argument("--benches", type=int, default=60)
    a.add_argument("--batches", type=int, default=6)
    a.add_argument("--first", type=int, default=0)
    a.add_argument("--jobs", type=int, default=2)
    a.add_argument("--kinds", default=",".join(KINDS))
    args = a.parse_args()
    kinds = args.kinds.split(",")
    jobs = [
        (b, k, args.batches) for b in range(args.first, args.first + args.benches) for k in kinds
    ]
    t = time.perf_counter()
    with Pool(args.jobs) as pool:
        out = pool.map(_session, jobs, chunksize=4)
    by: dict[str, list[Figure]] = {k: [] for k in kinds}
    for (_, k, _), figs in zip(jobs, out, strict=True):
        by[k] += figs
    print(HEAD)
    for k in kinds:
        print(row(k + " all", by[k]))
    print("from the fourth pour")
    for k in kinds:
        print(row(k, [f for f in by[k] if f.number >= 4]))
    for c in sorted({f.scale_class for f in by[kinds[0]]}):
        print(c)
        for k in kinds:
            print(row("  " + k, [f for f in by[k] if f.number >= 4 and f.scale_class == c]))
    for k in ("learned",):
        for lo, hi in ((1, 1), (2, 2), (3, 3), (4, 6), (7, 10), (11, 99)):
            print(row(f"  {k} pour {lo}-{hi}", [f for f in by.get(k, []) if lo <= f.number <= hi]))
    print(f"{time.perf_counter() - t:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
