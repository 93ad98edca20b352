"""A key's path leads to the line it stands on, however the file is written."""

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from recipes.toml_lines import key_lines

FILE = '''# a comment with = and [brackets]
name = "a # no comment, and an escaped \\" quote"
"quoted key" = 1
times.pot_life_s = 180
times."odd.key".deep = 'literal \\'

text = """
[not_a_table]
fake = 1 \\"""
two quotes at the end"""""
after = 1979-05-27 07:32:00  # a date holds a blank

[[part]]
name = "A"
[part.sub]      # belongs to the first part
x = 1

[[part]]
name = "B"

[ cup . inner ]
at = { celsius = 23, "grams" = 100, more = { a = [1, { b = 2 }] } }
points = [
  { seconds = 1 },   # ]

  { seconds = 2, celsius = [
    3 ] },
]
raw = \'\'\'
it\'\'s raw\'\'\'\'
last = true'''


def test_every_way_to_write_a_key_is_found_on_its_line():
    lines = key_lines(FILE)
    expected = {
        ("name",): 2,
        ("quoted key",): 3,
        ("times",): 4,
        ("times", "pot_life_s"): 4,
        ("times", "odd.key", "deep"): 5,
        ("text",): 7,
        ("after",): 11,
        ("part",): 13,
        ("part", 0): 13,
        ("part", 0, "name"): 14,
        ("part", 0, "sub"): 15,
        ("part", 0, "sub", "x"): 16,
        ("part", 1): 18,
        ("part", 1, "name"): 19,
        ("cup", "inner"): 21,
        ("cup", "inner", "at", "celsius"): 22,
        ("cup", "inner", "at", "grams"): 22,
        ("cup", "inner", "at", "more", "a", 1, "b"): 22,
        ("cup", "inner", "points", 0, "seconds"): 24,
        ("cup", "inner", "points", 1, "seconds"): 26,
        ("cup", "inner", "points", 1, "celsius", 0): 27,
        ("cup", "inner", "raw"): 29,
        ("cup", "inner", "last"): 31,
    }
    assert {path: lines.get(path) for path in expected} == expected


def test_keys_that_only_look_like_keys_are_not_found():
    lines = key_lines(FILE)
    assert ("fake",) not in lines
    assert ("not_a_table",) not in lines


def test_windows_line_ends_count_the_same():
    assert key_lines(FILE.replace("\n", "\r\n")) == key_lines(FILE)


def paths_of(value, path=()):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield (*path, key)
            yield from paths_of(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield (*path, index)
            yield from paths_of(inner, (*path, index))


def test_it_finds_exactly_the_keys_that_the_reader_finds():
    assert set(paths_of(tomllib.loads(FILE))) | {()} == set(key_lines(FILE))


def test_nesting_deeper_than_anyone_writes_ends_quietly():
    deep = "a = 1\nx = " + "[" * 3000 + "]" * 3000
    assert key_lines(deep)[("a",)] == 1


VALUES = st.sampled_from(
    ["1", "-2.5e3", "true", '"a]b}#c"', "'lit'", '"""m\nn"""', "'''o\n''p'''", "1979-05-27",
     "[1, 2]", "[\n1,\n# c\n2,\n]", "{ a = 1, b.c = 2 }", "[{ a = 1 }, { b = [] }]", "{}", "[]"]
)  # fmt: skip
KEYS = st.sampled_from(["a", "b-1", '"q r"', "'s.t'", "u.v", 'w . "x"', "9"])


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["pair", "table", "array"]), KEYS, VALUES), max_size=12))
def test_scanner_and_reader_agree_on_any_file(statements):
    text = ""
    for kind, key, value in statements:
        line = {"pair": f"{key} = {value}  # c", "table": f"[{key}]", "array": f"[[{key}]]"}[kind]
        candidate = f"{text}{line}\n\n"
        try:
            tomllib.loads(candidate)
        except tomllib.TOMLDecodeError:
            continue
        text = candidate
    lines = key_lines(text)
    assert set(paths_of(tomllib.loads(text))) | {()} == set(lines)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())
