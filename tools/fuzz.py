"""Coverage-guided trials of the decoder and the learner: `python -m tools.fuzz --seconds 600`.

Owns the running of the fuzzer, one process a target, and its figures. What is tried is in
`fuzz_targets`. The fuzzer is `atheris` from the package index, which nothing else needs:
`.venv/bin/pip install atheris`.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

CORPUS = Path(__file__).parent.parent / "tests" / "data" / "fuzz.json"
"""A few inputs of each target in hexadecimal, small and large; a test runs them."""
_NAMES = ("decode-anything", "decode-damaged", "learn-anything", "learn-shapes")
_LONGEST = 2048
_KEPT = 24
_DONE = re.compile(r"stat::number_of_executed_units:\s*(\d+)")
_SLOW_S = 20


def main(argv: Sequence[str] | None = None) -> int:
    """Try every target for its share of the time; exit status 1 where something was found."""
    args = _arguments(argv)
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed: .venv/bin/pip install atheris", file=sys.stderr)
        return 2
    if args.inside:
        return _inside(args.inside, args.options)
    names = [args.target] if args.target else list(_NAMES)
    findings = [_try(name, args.seconds / len(names), Path(args.found)) for name in names]
    return int(any(findings))


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tools.fuzz", description=__doc__)
    parser.add_argument("--seconds", type=float, default=60, help="for all targets together")
    parser.add_argument("--target", choices=_NAMES, help="one of them alone")
    parser.add_argument("--found", default="/tmp/benchpour-fuzz", help="where findings are put")
    parser.add_argument("--inside", choices=_NAMES, help=argparse.SUPPRESS)
    parser.add_argument("options", nargs="*", help=argparse.SUPPRESS)
    return parser.parse_args(argv)


def _inside(name: str, options: Sequence[str]) -> int:
    """Be the fuzzer of one target; does not come back."""
    atheris = importlib.import_module("atheris")
    with atheris.instrument_imports(include=["drivers"]):
        targets = importlib.import_module("tools.fuzz_targets")
    atheris.Setup([name, *options], targets.TARGETS[name])
    atheris.Fuzz()
    return 0


def _try(name: str, seconds: float, found: Path) -> bool:
    """Try one target and print how it went; whether something was found."""
    found.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work:
        grown = Path(work)
        for n, data in enumerate(kept_inputs()[name]):
            (grown / f"kept-{n:02d}").write_bytes(data)
        ended = _run(
            name,
            [str(grown), f"-max_total_time={max(1, int(seconds))}", "-print_final_stats=1"],
            [f"-artifact_prefix={found}/{name}-", f"-timeout={_SLOW_S}"],
        )
        said = ended.stderr
        done = _DONE.search(said)
        print(f"{name}: {done[1] if done else '?'} executions in {seconds:.0f} s", flush=True)
        if ended.returncode:
            print(f"{name}: found something, in {found}:\n{said[-3000:]}", flush=True)
            return True
        _keep(name, grown)
    return False


def _run(name: str, *options: Sequence[str]) -> subprocess.CompletedProcess[str]:
    flat = [option for some in options for option in some]
    return subprocess.run(
        [sys.executable, "-m", "tools.fuzz", "--inside", name, "--", f"-max_len={_LONGEST}", *flat],
        capture_output=True,
        text=True,
        errors="replace",
        env={**os.environ, "PYTHONHASHSEED": "0"},
        check=False,
    )


def kept_inputs() -> dict[str, list[bytes]]:
    """The kept inputs of each target."""
    kept = json.loads(CORPUS.read_text(encoding="utf-8")) if CORPUS.exists() else {}
    return {name: [bytes.fromhex(text) for text in kept.get(name, ())] for name in _NAMES}


def _keep(name: str, grown: Path) -> None:
    """Keep a few of the inputs that reached something new, small ones and large ones."""
    every = sorted(grown.iterdir(), key=lambda file: file.stat().st_size)
    chosen = [file.read_bytes() for file in every[:: max(1, len(every) // _KEPT)][:_KEPT]]
    kept = kept_inputs() | {name: chosen}
    written = {one: [data.hex() for data in inputs] for one, inputs in kept.items()}
    CORPUS.write_text(json.dumps(written, indent=0) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
