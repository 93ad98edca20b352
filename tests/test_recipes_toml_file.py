"""Any strict model can be read from TOML with problems in plain sentences."""

from datetime import date

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from recipes.toml_file import (
    FileError,
    Problem,
    key_lines,
    key_text,
    parse_toml,
    printable,
    problems_of,
)


class Jug(BaseModel):
    model_config = ConfigDict(extra="forbid")
    lot: str = Field(max_length=4)
    opened: date = Field(strict=True)
    pulls: int = Field(strict=True, default=0)
    sizes: list[float] = []


class Shelf(BaseModel):
    model_config = ConfigDict(extra="forbid")
    jug: list[Jug]


def told(text, known=None):
    data = parse_toml(text, "shelf.toml")
    with pytest.raises(ValidationError) as refused:
        Shelf.model_validate(data)
    problems = problems_of(refused.value, key_lines(text), known or {})
    return [problem.sentence("shelf.toml") for problem in problems]


def test_each_problem_is_a_sentence_with_its_place():
    text = '[[jug]]\nlot = "26-1102"\nopened = "2026-11-02"\npulls = 1.5\nsizes = 3\nlid = true\n'
    assert told(text) == [
        'shelf.toml, line 2, jug[1].lot: found the text "26-1102", expected at most 4 characters.',
        'shelf.toml, line 3, jug[1].opened: found the text "2026-11-02", expected a date like'
        " 2026-11-02, without quotes.",
        "shelf.toml, line 4, jug[1].pulls: found 1.5, expected a whole number, without quotes.",
        "shelf.toml, line 5, jug[1].sizes: found 3, expected a list.",
        "shelf.toml, line 6, jug[1].lid: found a key that is not known, expected no key here.",
    ]


def test_a_slip_in_a_known_table_is_shown_the_key_that_is_meant():
    text = '[[jug]]\nlot = "A"\nopened = 2026-11-02\npuls = 1\n'
    (said,) = told(text, {("jug", -1): ("lot", "opened", "pulls")})
    assert said.endswith(
        "line 4, jug[1].puls: found a key that is not known, expected perhaps pulls."
    )


def test_tables_and_lists_are_named_and_not_spelled_out():
    text = "[[jug]]\nlot = { a = 1 }\nopened = [1, 2]\n"
    said = told(text)
    assert "jug[1].lot: found a table, expected text in quotes." in said[0]
    assert "jug[1].opened: found a list of 2" in said[1]


def test_the_end_of_the_text_is_a_line_too():
    with pytest.raises(FileError) as refused:
        parse_toml('a = 1\nb = """\nnever closed\n', "shelf.toml")
    assert [problem.line for problem in refused.value.problems] == [3]


def test_a_problem_without_a_line_or_key_still_reads():
    assert Problem(None, "", "no such file", "a file").sentence("x.toml") == (
        "x.toml: found no such file, expected a file."
    )


def test_keys_are_said_as_a_person_would():
    assert key_text(("part", 1, "nco_pct")) == "part[2].nco_pct"
    assert key_text(("odd\nkey",)) == "odd\\nkey"
    assert key_text(()) == ""


def test_long_and_unprintable_texts_are_shortened():
    assert printable("x" * 50) == "x" * 37 + "..."
    assert printable("Größe") == "Größe"
    assert printable("\x1b[31m") == "\\x1b[31m"
