"""`recipe check`, `recipe list`, `recipe show`: recipes looked at before anything is poured.

Owns how they are told. Knows no scale: what is predicted while pouring is said to be predicted.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from daemon.cli_numbers import grams, within


def add_parsers(commands: Any, common: argparse.ArgumentParser) -> None:
    """Add these commands."""
    recipe = commands.add_parser(
        "recipe",
        help="check, list and show recipes",
        epilog="example: benchpour recipe show slate-knob",
    )
    which = recipe.add_subparsers(title="commands", metavar="COMMAND", required=True)
    check = which.add_parser(
        "check",
        parents=[common],
        help="say everything that is wrong in recipe files, with line and key",
        epilog="example: benchpour recipe check slate.toml moss.toml",
    )
    check.add_argument("files", nargs="+", metavar="FILE", help="a file, or a recipe's name")
    check.set_defaults(run=_check)
    listing = which.add_parser(
        "list",
        parents=[common],
        help="the recipes that can be called by name",
        epilog="example: benchpour recipe list --json",
    )
    listing.set_defaults(run=_list)
    show = which.add_parser(
        "show",
        parents=[common],
        help="targets, stops and times of one recipe",
        epilog="example: benchpour recipe show slate-knob --batch-g 90 --celsius 27",
    )
    show.add_argument("name", metavar="NAME", help="a recipe's name, or a file")
    show.add_argument("--batch-g", type=grams, metavar="G", help="resin, if not the recipe's shot")
    show.add_argument("--celsius", type=_celsius, metavar="T", help="how warm it is")
    show.set_defaults(run=_show)
    for parser in (check, listing, show):
        parser.add_argument("--json", action="store_true", help="one JSON object a line")


def _celsius(text: str) -> float:
    return within(text, -40, 150, "degrees Celsius")


def _folder(args: argparse.Namespace) -> Path:
    """The shop's own recipes."""
    from daemon.cli_run import settings

    return settings(args).recipes_dir


def _found(name: str, args: argparse.Namespace) -> Path:
    """The file that is meant, whatever the settings; raises RecipeError where there is none."""
    from recipes.loader import find_recipe

    path = Path(name)
    try:
        there = path.exists()
    except OSError:  # no file could have such a name
        there = False
    return path if there else find_recipe(name, [_folder(args)])


# -- check -------------------------------------------------------------------------------------


def _check(args: argparse.Namespace) -> int:
    verdicts = [_verdict(name, args) for name in args.files]
    for verdict in verdicts:
        if args.json:
            print(json.dumps(verdict))
        else:
            _tell_verdict(verdict)
    return 0 if all(verdict["ok"] for verdict in verdicts) else 1


def _verdict(name: str, args: argparse.Namespace) -> dict[str, Any]:
    from recipes.advice import warnings
    from recipes.loader import RecipeError, load_recipe

    try:
        path = _found(name, args)
        recipe = load_recipe(path)
    except RecipeError as error:
        problems = [asdict(problem) for problem in error.problems]
        said = [problem.sentence(error.source) for problem in error.problems]
        return {"file": name, "ok": False, "problems": problems, "said": said, "warnings": []}
    odd = list(warnings(recipe))
    return {"file": str(path), "ok": True, "problems": [], "said": [], "warnings": odd}


def _tell_verdict(verdict: dict[str, Any]) -> None:
    for sentence in verdict["said"]:
        print(sentence, file=sys.stderr)
    for warning in verdict["warnings"]:
        print(f"{verdict['file']}: warning: {warning}")
    if verdict["ok"]:
        print(f"{verdict['file']}: ok")


# -- list --------------------------------------------------------------------------------------


def _list(args: argparse.Namespace) -> int:
    rows = list(_rows(_folder(args)))
    for row in rows:
        if args.json:
            print(json.dumps(row))
        else:
            print(_row_text(row, max(len(row["name"]) for row in rows)))
    return 0


def _rows(folder: Path) -> Iterator[dict[str, Any]]:
    from recipes.loader import SAMPLES_DIR, RecipeError, list_recipes, load_recipe

    for name, path in sorted(list_recipes([folder, SAMPLES_DIR]).items()):
        row = {"name": name, "file": str(path), "sample": path.parent == SAMPLES_DIR}
        try:
            recipe = load_recipe(path)
        except RecipeError as error:
            yield row | {"ok": False, "problems": len(error.problems)}
        else:
            parts = [
                {"name": part.name, "share_pct": round(100 * share, 3)}
                for part, share in zip(recipe.parts, recipe.neat_shares, strict=True)
            ]
            yield row | {
                "ok": True,
                "title": recipe.name,
                "shot_g": recipe.shot_g,
                "parts": parts,
            }


def _row_text(row: dict[str, Any], width: int) -> str:
    name = f"{row['name']:<{width}}"
    if not row["ok"]:
        return f"{name}  cannot be used: benchpour recipe check {row['file']}"
    first = row["parts"][0]["share_pct"]
    ratio = " : ".join(
        f"{part['name']} {100 * part['share_pct'] / first:.4g}" for part in row["parts"]
    )
    sample = "  (sample)" if row["sample"] else ""
    return f"{name}  {row['title']}: {row['shot_g']:g} g, {ratio} by weight{sample}"


def _show(args: argparse.Namespace) -> int:
    from daemon.cli_recipe_show import lines, sheet
    from recipes.loader import load_recipe

    path = _found(args.name, args)
    recipe = load_recipe(path)
    found = sheet(recipe, path, args.batch_g or recipe.shot_g, args.celsius)
    for line in [json.dumps(found)] if args.json else lines(found):
        print(line)
    return 0
