"""One command for every check but the tests: style, types, imports and the house.

Knows the rules of the tree; knows nothing of what the program does.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fnmatch import fnmatch, fnmatchcase
from pathlib import Path
from typing import Any

import grimp

ROOT = Path(__file__).resolve().parents[1]
CODE = ("daemon", "drivers", "recipes", "tools")
TOP_LEVEL = {
    ".ci",
    ".git",
    ".gitignore",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "pyproject.toml",
    "requirements-dev.lock",
    "requirements.lock",
    "tests",
    *CODE,
}
LONGEST_MODULE = 400
# Each word has a letter in brackets, so that this file does not find itself.
LEFT_OVER = re.compile(
    r"\b(T[O]DO|F[I]XME|X[X]X|H[A]CK)\b|NotImplemented[E]rror|pragma: n[o] cover"
    r"|type: i[g]nore(?!\[)|mark\.(s[k]ip|x[f]ail)"
)
# A short wait between two looks at a condition with a deadline is no luck.
WAITED_FOR_LUCK = re.compile(r"\btime\.s[l]eep\(|asyncio\.s[l]eep\((0?\.[1-9]|[1-9])")
OTHER_CLOCK = re.compile(
    r"\btime\.(time|monotonic|perf_counter|clock_gettime)|\b(datetime|date)\.(now|utcnow|today)\("
)


def main() -> int:
    """Run every check and print one line for each; the words of a check follow only if it failed.

    Returns the exit status: 0 when all passed, 1 otherwise.
    """
    graph, imports = import_graph(), rules()
    checks: dict[str, Callable[[], str]] = {
        "ruff check": lambda: tool("ruff", "check", "--quiet", "."),
        "ruff format": lambda: tool("ruff", "format", "--check", "--quiet", "."),
        "mypy": lambda: tool("mypy", "--no-error-summary"),
        "layers": lambda: "\n".join(misplaced(graph, imports)),
        "purity": lambda: "\n".join(impure(graph, imports)),
        "house": lambda: "\n".join(house()),
    }
    results = [passed(name, check) for name, check in checks.items()]
    return 0 if all(results) else 1


def passed(name: str, check: Callable[[], str]) -> bool:
    """Run one check, print its line, and say whether it found nothing."""
    began = time.monotonic()
    found = check()
    print(f"{'FAIL' if found else 'ok':4}  {name:14} {time.monotonic() - began:5.1f} s", flush=True)
    if found:
        print(found.rstrip(), flush=True)
    return not found


def tool(name: str, *words: str) -> str:
    """Run a tool of this environment at the root; returns what it complained of."""
    command = Path(sys.executable).with_name(name)
    done = subprocess.run([command, *words], cwd=ROOT, capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else (done.stdout + done.stderr).strip() or "failed silently"


@dataclass(frozen=True, slots=True)
class Rules:
    """What pyproject.toml says of imports: patterns to (layer from the top, whether pure)."""

    places: dict[str, tuple[int, bool]]
    apart: tuple[str, ...]
    not_in_pure: tuple[str, ...]

    def place(self, module: str) -> tuple[int, bool] | None:
        """The layer of a module by the most exact pattern that fits; None where none does."""
        fitting = [pattern for pattern in self.places if fnmatchcase(module, pattern)]
        return self.places[max(fitting, key=len)] if fitting else None


def rules() -> Rules:
    """The rules of this project."""
    with (ROOT / "pyproject.toml").open("rb") as file:
        section: dict[str, Any] = tomllib.load(file)["tool"]["benchpour"]
    places = {
        pattern: (number, layer.get("pure", False))
        for number, layer in enumerate(section["layer"])
        for pattern in layer["modules"]
    }
    return Rules(places, tuple(section["apart"]), tuple(section["not_in_pure"]))


def import_graph() -> grimp.ImportGraph:
    """Who imports whom in this tree, the libraries included."""
    return grimp.build_graph(*CODE, include_external_packages=True, cache_dir=None)


def misplaced(graph: grimp.ImportGraph, rules: Rules) -> Iterator[str]:
    """Modules without a layer, imports that go up, and imports between what is to be apart."""
    ours = sorted(m for m in graph.modules if m.partition(".")[0] in CODE)
    for module in ours:
        if rules.place(module) is None:
            yield f"{module} has no layer: give it one in pyproject.toml"
    for module in ours:
        for imported in sorted(graph.find_modules_directly_imported_by(module)):
            rooms = {module.partition(".")[0], imported.partition(".")[0]}
            here, there = rules.place(module), rules.place(imported)
            if here and there and there[0] < here[0]:
                yield f"{module} imports {imported}, which is above it"
            elif len(rooms) == 2 and rooms <= set(rules.apart):
                yield f"{module} imports {imported}: they are to know nothing of each other"


def impure(graph: grimp.ImportGraph, rules: Rules) -> Iterator[str]:
    """Imports, direct or through others, that a module of a pure layer must not have."""
    for module in sorted(graph.modules):
        place = rules.place(module)
        for banned in rules.not_in_pure if place and place[1] else ():
            chain = banned in graph.modules and graph.find_shortest_chain(module, banned)
            if chain:
                yield f"{module} is to be pure, and imports {banned}: {' -> '.join(chain)}"


def house() -> Iterator[str]:
    """What is in the wrong place, left over, or too long."""
    yield from strangers()
    for path in sources():
        name = path.relative_to(ROOT).as_posix()
        text = path.read_text(encoding="utf-8")
        for number, line in enumerate(text.splitlines(), 1):
            if found := slip(name, line):
                yield f"{name}:{number}: {found}: {line.strip()}"
        if path.suffix == ".py":
            yield from misshapen(name, text)
    for path in ROOT.glob("*.lock"):
        if "://" in path.read_text(encoding="utf-8"):
            yield f"{path.name}: holds an address; names and hashes only"


def slip(name: str, line: str) -> str:
    """What is wrong with one line of a file, or nothing."""
    if LEFT_OVER.search(line):
        return "to be settled"
    if name.startswith("tests/") and WAITED_FOR_LUCK.search(line):
        return "waits for luck"
    if name.startswith(("daemon/", "recipes/")) and OTHER_CLOCK.search(line):
        return "" if name == "daemon/clock.py" else "the only clock is daemon/clock.py"
    return ""


def strangers() -> Iterator[str]:
    """Files at the top that have no place there. What .gitignore names is nobody's business."""
    ignored = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    for path in ROOT.iterdir():
        if path.name in TOP_LEVEL or any(fnmatch(path.name, i.rstrip("/")) for i in ignored):
            continue
        yield f"{path.name}: has no place at the top level"


def sources() -> Iterator[Path]:
    """Every file that people here write by hand."""
    for folder in (*CODE, "tests"):
        for path in sorted((ROOT / folder).rglob("*")):
            is_text = path.suffix in {"", ".py", ".toml", ".html", ".css", ".service", ".rules"}
            if path.is_file() and is_text and "__pycache__" not in path.parts:
                yield path


def misshapen(name: str, text: str) -> Iterator[str]:
    """What is wrong with the shape of one module."""
    tree = ast.parse(text)
    if name.endswith("__init__.py"):
        if len(tree.body) != 1 or ast.get_docstring(tree) is None:
            yield f"{name}: holds more, or less, than a docstring"
    elif ast.get_docstring(tree) is None:
        yield f"{name}: does not open with a docstring"
    lines = text.count("\n")
    if lines > LONGEST_MODULE and not name.startswith("tests/"):
        yield f"{name}: {lines} lines; {LONGEST_MODULE} at the most"
    yield from toothless(name, tree)


def toothless(name: str, tree: ast.Module) -> Iterator[str]:
    """Tests that assert nothing themselves and expect nothing to be raised."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        words = ast.dump(node)
        if node.name.startswith("test_") and "Assert(" not in words and "'raises'" not in words:
            yield f"{name}:{node.lineno}: {node.name} asserts nothing, so it cannot fail"


if __name__ == "__main__":
    sys.exit(main())
