"""The house itself: ours is the package imported, papers are in order, checks can fail."""

from __future__ import annotations

import ast
import os
import re
import stat
import subprocess
import tomllib
from importlib import metadata
from pathlib import Path

import grimp
import pytest

import daemon
import drivers
import recipes
import tools
from daemon.version import VERSION
from tools import check

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize("package", [daemon, drivers, recipes, tools])
def test_the_packages_are_those_of_this_tree(package: object) -> None:
    """Another distribution on the index installs a `daemon` as well."""
    file = Path(str(getattr(package, "__file__", "")))
    assert file.parent.parent == ROOT


def test_an_init_holds_a_docstring_and_nothing_else() -> None:
    for name in check.CODE:
        body = ast.parse((ROOT / name / "__init__.py").read_text()).body
        assert len(body) == 1, name
        assert isinstance(body[0], ast.Expr), name


def test_the_version_is_said_alike_everywhere() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        assert tomllib.load(file)["project"]["version"] == VERSION


def test_the_readme_opens_with_the_job_then_the_two_commands() -> None:
    title, job, commands = (ROOT / "README.md").read_text().split("\n\n")[:3]
    assert title == "# benchpour"
    for word in ("scale", "resin", "ease off", "stop", "clocks"):
        assert word in job
    assert re.findall(r"^\./\S+", commands, re.MULTILINE) == ["./tools/try", "./tools/test"]


@pytest.mark.parametrize("paper", ["README.md", "DEVELOPERS.md"])
def test_every_file_that_a_paper_names_is_there(paper: str) -> None:
    text = (ROOT / paper).read_text()
    named = re.findall(r"\]\(([^)#:]+)\)", text) + re.findall(r"`([a-z]+/[\w./-]+)`", text)
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_the_commands_are_scripts_that_a_plain_shell_understands() -> None:
    for name in ("tools/try", "tools/test", "tools/setup", ".ci/run"):
        path = ROOT / name
        assert path.stat().st_mode & stat.S_IXUSR, name
        assert path.read_text().startswith("#!/bin/sh\n"), name
        subprocess.run(["sh", "-n", path], check=True)


def test_the_package_data_is_there_and_declared() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        setup = tomllib.load(file)["tool"]["setuptools"]
    assert sorted(setup["packages"]) == sorted(check.CODE)
    for package, patterns in setup["package-data"].items():
        for pattern in patterns:
            assert list((ROOT / package).glob(pattern)), f"{package}/{pattern}"


@pytest.mark.parametrize(
    ("lock", "extra"), [("requirements.lock", False), ("requirements-dev.lock", True)]
)
def test_a_lock_names_all_that_is_needed_by_hash(lock: str, extra: bool) -> None:
    text = (ROOT / lock).read_text()
    pins = dict(re.findall(r"^([a-z0-9.-]+)==(\S+) \\\n    --hash=sha256:", text, re.MULTILINE))
    assert len(pins) == len(re.findall(r"^[^ #\n]", text, re.MULTILINE))
    with (ROOT / "pyproject.toml").open("rb") as file:
        data = tomllib.load(file)
    wanted = data["project"]["dependencies"] + data["build-system"]["requires"]
    wanted += data["project"]["optional-dependencies"]["dev"] if extra else []
    for requirement in wanted:
        assert re.split(r"[<>=]", requirement)[0].lower() in pins


def test_what_is_installed_is_what_is_locked() -> None:
    text = (ROOT / "requirements.lock").read_text()
    for name, version in re.findall(r"^([a-z0-9.-]+)==(\S+) ", text, re.MULTILINE):
        if name != "setuptools":  # the tests do not need it, and build tools may renew it
            assert metadata.version(name) == version, name


def test_a_prepared_environment_is_left_alone(tmp_path: Path) -> None:
    """The second run of `tools/setup` must not reach for the network, nor for a Python."""
    venv = tmp_path / "with space"
    (venv / "bin").mkdir(parents=True)
    (venv / "bin" / "python").symlink_to("/bin/false")
    lock = (ROOT / "requirements.lock").read_bytes() + (ROOT / "pyproject.toml").read_bytes()
    sum_ = subprocess.run(["cksum"], input=lock, capture_output=True, check=True).stdout.decode()
    (venv / "run.stamp").write_text(f"{ROOT} {sum_}")
    done = subprocess.run(
        [ROOT / "tools" / "setup", "run"],
        env={"PATH": os.environ["PATH"], "BENCHPOUR_VENV": str(venv)},
        cwd="/",
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_a_folder_in_the_way_is_not_wiped(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    done = subprocess.run(
        [ROOT / "tools" / "setup", "run"],
        env={"PATH": os.environ["PATH"], "BENCHPOUR_VENV": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "is in the way" in done.stderr
    assert (tmp_path / "thesis.txt").read_text() == "mine"


@pytest.mark.parametrize(
    ("name", "line", "found"),
    [
        ("daemon/loop.py", "# T" + "ODO later", "to be settled"),
        ("tests/test_x.py", "@pytest.mark.s" + "kip", "to be settled"),
        ("tests/test_x.py", "time.s" + "leep(1)", "waits for luck"),
        ("tests/test_x.py", "await asyncio.s" + "leep(0.5)", "waits for luck"),
        ("tests/test_x.py", "await asyncio.s" + "leep(0.01)", ""),
        ("daemon/run.py", "since = self.now() - 5", ""),
        ("daemon/run.py", "datetime.n" + "ow(UTC)", "the only clock is daemon/clock.py"),
        ("daemon/loop.py", "now = time.m" + "onotonic()", "the only clock is daemon/clock.py"),
        ("daemon/clock.py", "now = time.m" + "onotonic()", ""),
        ("tools/latency.py", "now = time.m" + "onotonic()", ""),
        ("daemon/loop.py", "plain = 1", ""),
    ],
)
def test_a_slip_in_a_line_is_found(name: str, line: str, found: str) -> None:
    assert check.slip(name, line) == found


def test_a_module_out_of_shape_is_found() -> None:
    long = '"""Long."""\n' + "x = 1\n" * 400
    assert list(check.misshapen("daemon/x.py", long)) == ["daemon/x.py: 401 lines; 400 at the most"]
    assert list(check.misshapen("tests/test_x.py", long)) == []
    assert list(check.misshapen("daemon/x.py", "x = 1\n")) == [
        "daemon/x.py: does not open with a docstring"
    ]
    assert list(check.misshapen("daemon/__init__.py", '"""All."""\nx = 1\n')) == [
        "daemon/__init__.py: holds more, or less, than a docstring"
    ]


def test_a_test_that_cannot_fail_is_found() -> None:
    text = (
        '"""Tests."""\n'
        "def reads_right():\n    assert 1\n"
        "def test_elsewhere():\n    reads_right()\n"
        "def test_raises():\n    with pytest.raises(ValueError):\n        f()\n"
        "def test_nothing():\n    f()\n"
    )
    assert list(check.misshapen("tests/test_x.py", text)) == [
        "tests/test_x.py:4: test_elsewhere asserts nothing, so it cannot fail",
        "tests/test_x.py:9: test_nothing asserts nothing, so it cannot fail",
    ]


def test_an_import_that_goes_up_or_across_is_found() -> None:
    graph = grimp.ImportGraph()
    for importer, imported in [
        ("daemon.view", "daemon.loop"),
        ("recipes.model", "drivers.units"),
        ("daemon.loop", "daemon.view"),
        ("daemon.loop", "recipes.model"),
    ]:
        graph.add_import(importer=importer, imported=imported)
    graph.add_module("daemon.stray")
    assert list(check.misplaced(graph, check.rules())) == [
        "daemon.stray has no layer: give it one in pyproject.toml",
        "daemon.view imports daemon.loop, which is above it",
        "recipes.model imports drivers.units, which is above it",
    ]
    level = check.Rules(
        {"recipes.*": (0, True), "drivers.*": (0, True)}, ("recipes", "drivers"), ()
    )
    across = [line for line in check.misplaced(graph, level) if "know nothing" in line]
    assert across == ["recipes.model imports drivers.units: they are to know nothing of each other"]


def test_a_pure_module_that_reaches_a_clock_through_others_is_found() -> None:
    graph = grimp.ImportGraph()
    graph.add_import(importer="daemon.step", imported="recipes.amounts")
    graph.add_import(importer="recipes.amounts", imported="time")
    graph.add_import(importer="daemon.loop", imported="time")
    assert list(check.impure(graph, check.rules())) == [
        "daemon.step is to be pure, and imports time: daemon.step -> recipes.amounts -> time",
        "recipes.amounts is to be pure, and imports time: recipes.amounts -> time",
    ]
