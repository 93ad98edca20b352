"""Draw the sequence: the table of phases and the stages after the cup, as they stand in the code.

`python -m tools.draw_states` prints it; DEVELOPERS.md holds a copy that a test compares.
"""

from __future__ import annotations

from daemon.finishing import CLEARS, stages
from daemon.sequence import TABLE
from recipes.loader import SAMPLES_DIR, load_recipe


def drawing() -> str:
    """Both tables as Markdown."""
    rows = [f"| {phase.value} | {row.step.value} | {row.follows} |" for phase, row in TABLE.items()]
    after = stages(load_recipe(SAMPLES_DIR / "slate-knob.toml"))
    marks = [
        f"| {mark.value} | {', '.join(kind.value for kind in CLEARS.get(mark, ())) or '-'} |"
        for mark in after
    ]
    return "\n".join(
        [
            "| phase | step outside | what follows |",
            "| --- | --- | --- |",
            *rows,
            "",
            "| mark, in order | clocks it ends |",
            "| --- | --- |",
            *marks,
        ]
    )


def main() -> None:
    """Print the drawing."""
    print(drawing())


if __name__ == "__main__":
    main()
