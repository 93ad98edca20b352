"""Recipe files: what is refused, where, and in which words; what is left out takes its default."""

import re
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from recipes.loader import (
    SAMPLES_DIR,
    RecipeError,
    find_recipe,
    list_recipes,
    load_recipe,
    parse_recipe,
)
from recipes.model import Recipe, Role

SMALLEST = """\
name = "Knob"
shot_g = 100.0
[[part]]
name = "A"
by_weight = 100
[[part]]
name = "B"
by_weight = 90
[times]
pot_life_s = 180
"""

FULL = """\
name = "Slate knob, fast urethane"
shot_g = 132.0
hold_back_g = 2.0
method = "gain"
[[part]]
name = "A"
by_weight = 100
role = "isocyanate"
nco_pct = 23.0
[[part]]
name = "B"
by_weight = 90
role = "polyol"
oh_number = 325
[dye]
in = "B"
fraction = 0.012
oh_number = 0
tolerance_g = 0.05
[stops]
coarse = 0.75
fine = 0.97
tolerance_g = 0.3
ratio_tolerance_pct = 2.0
[cup]
capacity_g = 220
one_per_part = false
clings_g = 0.0
[times]
pot_life_s = 180
pot_life_at = { celsius = 23, grams = 100 }
working_s = 150
press_by_s = 170
stir_s = 30
pressure_s = 600
demold_s = 900
trim_until_s = 14400
[chemistry]
target_index = 105
[prompts]
fill = "half fill, tip each mold, top off"
"""


def told(text):
    """The problems of a text as (line, key, found, expected)."""
    with pytest.raises(RecipeError) as refused:
        parse_recipe(text, "knob.toml")
    return [(p.line, p.key, p.found, p.expected) for p in refused.value.problems]


def changed(old, new, text=FULL):
    assert text.count(old) == 1, old
    return text.replace(old, new)


# --- what is accepted ----------------------------------------------------------------------------


def test_the_whole_example_loads():
    recipe = parse_recipe(FULL)
    assert recipe.part_names == ("A", "B")
    assert recipe.parts[0].role is Role.ISOCYANATE
    assert recipe.parts[1].oh_number == 325
    assert (recipe.stops.coarse, recipe.stops.fine) == (0.75, 0.97)
    assert recipe.times.pot_life_at.celsius == 23
    assert recipe.prompts == {"fill": "half fill, tip each mold, top off"}


def test_what_is_left_out_takes_its_default():
    recipe = parse_recipe(SMALLEST)
    assert recipe.method == "gain"
    assert recipe.hold_back_g == 2.0
    assert recipe.dye is None
    assert (recipe.stops.coarse, recipe.stops.fine) == (None, None)
    assert (recipe.stops.tolerance_g, recipe.stops.ratio_tolerance_pct) == (0.3, 2.0)
    assert (recipe.cup.capacity_g, recipe.cup.one_per_part, recipe.cup.clings_g) == (None, False, 0)
    assert (recipe.times.pot_life_at.celsius, recipe.times.pot_life_at.grams) == (23, 100)
    assert recipe.working_s == pytest.approx(0.8 * 180)
    assert recipe.times.stir_s == 30
    assert (recipe.times.pressure_s, recipe.times.demold_s) == (None, None)
    assert not recipe.uses_tank
    assert recipe.chemistry.target_index is None


def test_whole_numbers_do_for_numbers():
    assert parse_recipe(SMALLEST.replace("100.0", "100")).shot_g == 100.0


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path):
    path = tmp_path / "knob.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALLEST.replace("\n", "\r\n").encode())
    assert load_recipe(path) == parse_recipe(SMALLEST)


@pytest.mark.parametrize("text", [FULL, SMALLEST])
def test_a_recipe_comes_back_from_the_journal_as_it_went_in(text):
    recipe = parse_recipe(text)
    stored = recipe.model_dump(mode="json")
    assert "part" in stored
    assert Recipe.model_validate(stored) == recipe
    assert Recipe.model_validate_json(recipe.model_dump_json()) == recipe


def test_a_shot_smaller_than_the_usual_hold_back_comes_back_too():
    recipe = parse_recipe(SMALLEST.replace("100.0", "1.5"))
    assert recipe.hold_back_g == pytest.approx(0.15)
    assert Recipe.model_validate(recipe.model_dump(mode="json")) == recipe


# --- what is refused: keys -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "key", "expected"),
    [
        (changed("shot_g = 132.0", "shot_gramms = 132.0\nshot_g = 132.0"), 2, "shot_gramms",
         "perhaps shot_g"),
        (changed("nco_pct = 23.0", "nco = 23.0"), 9, "part[1].nco", "perhaps nco_pct"),
        (changed("fine = 0.97", "fine = 0.97\nzzz = 1"), 23, "stops.zzz",
         "one of coarse, fine, tolerance_g, ratio_tolerance_pct"),
        (changed("celsius = 23", "celsius = 23, kelvin = 1"), 31, "times.pot_life_at.kelvin",
         "one of celsius, grams"),
        (changed('in = "B"', 'into = "B"'), 16, "dye.into", "perhaps in"),
        (changed("[cup]", "[mug]"), 25, "mug", None),
        (changed("fill =", "fil ="), 41, "prompts.fil", None),
        (changed("[chemistry]", "[chemistry]\nindex = 3"), 39, "chemistry.index",
         "one of target_index"),
        (changed("working_s = 150", "Working_s = 150"), 32, "times.Working_s", "perhaps working_s"),
    ],
)  # fmt: skip
def test_an_unknown_key_is_refused_on_its_line(text, line, key, expected):
    problems = {(p[0], p[1]): p for p in told(text)}
    assert (line, key) in problems
    assert expected is None or problems[line, key][3] == expected


@pytest.mark.parametrize(
    ("gone", "line", "key"),
    [
        ('name = "Slate knob, fast urethane"\n', 1, "name"),
        ("shot_g = 132.0\n", 1, "shot_g"),
        ('name = "B"\n', 10, "part[2].name"),
        ("pot_life_s = 180\n", 29, "times.pot_life_s"),
        ('in = "B"\n', 15, "dye.in"),
    ],
)
def test_a_missing_key_is_told_at_its_table(gone, line, key):
    assert (line, key) in {(p[0], p[1]) for p in told(changed(gone, ""))}


def test_an_empty_file_is_told_what_it_needs():
    assert {p[1] for p in told("")} == {"name", "shot_g", "part"}


def test_a_file_without_times_is_told_about_the_pot_life():
    text = SMALLEST[: SMALLEST.index("[times]")]
    assert [(p[1], p[3]) for p in told(text)] == [
        ("times.pot_life_s", "the data sheet's pot life in seconds")
    ]


# --- what is refused: values ---------------------------------------------------------------------

IMPOSSIBLE = [
    ("shot_g = 132.0", "shot_g = {}", 2, "shot_g", ["0", "-1", "nan", "inf", "-inf", "true", '"9"',
     "[1]", "1e300", "1" * 400, "2026-11-02", "{ g = 1 }"]),
    ("hold_back_g = 2.0", "hold_back_g = {}", 3, "hold_back_g", ["-0.1", "nan", "132.0", "false"]),
    ('method = "gain"', "method = {}", 4, "method", ['"Gain"', "1", '""']),
    ("by_weight = 100", "by_weight = {}", 7, "part[1].by_weight",
     ["0", "-5", "nan", '"100"', "true"]),
    ('role = "isocyanate"', "role = {}", 8, "part[1].role", ['"iso"', "1", '""', "true"]),
    ("nco_pct = 23.0", "nco_pct = {}", 9, "part[1].nco_pct", ["0", "-1", "101", "nan"]),
    ("oh_number = 325", "oh_number = {}", 14, "part[2].oh_number", ["-1", "7000", '"325"']),
    ('in = "B"', "in = {}", 16, "dye.in", ['"C"', '"Cup"', '""', "1"]),
    ("fraction = 0.012", "fraction = {}", 17, "dye.fraction", ["-0.01", "1", "1.2", "nan"]),
    ("oh_number = 0\n", "oh_number = {}\n", 18, "dye.oh_number", ["-1", "true"]),
    ("tolerance_g = 0.05", "tolerance_g = {}", 19, "dye.tolerance_g", ["0", "-1"]),
    ("coarse = 0.75", "coarse = {}", 21, "stops.coarse",
     ["0", "1", "-0.2", "0.97", "0.98", "75", "nan"]),
    ("fine = 0.97", "fine = {}", 22, "stops.fine", ["0", "1.01", "97", "true"]),
    ("tolerance_g = 0.3", "tolerance_g = {}", 23, "stops.tolerance_g", ["0", "-0.3", "nan"]),
    ("ratio_tolerance_pct = 2.0", "ratio_tolerance_pct = {}", 24, "stops.ratio_tolerance_pct",
     ["0", "-2", "51", "inf"]),
    ("capacity_g = 220", "capacity_g = {}", 26, "cup.capacity_g", ["132", "0", "-1", '"220 g"']),
    ("one_per_part = false", "one_per_part = {}", 27, "cup.one_per_part", ["0", '"no"', "1.0"]),
    ("clings_g = 0.0", "clings_g = {}", 28, "cup.clings_g", ["-1", "nan"]),
    ("pot_life_s = 180", "pot_life_s = {}", 30, "times.pot_life_s", ["0", "-180", '"3 min"']),
    ("celsius = 23", "celsius = {}", 31, "times.pot_life_at.celsius", ["296", "-300", '"23"']),
    ("grams = 100", "grams = {}", 31, "times.pot_life_at.grams", ["0", "-100"]),
    ("working_s = 150", "working_s = {}", 32, "times.working_s", ["181", "0", "-1"]),
    ("press_by_s = 170", "press_by_s = {}", 33, "times.press_by_s", ["180.5", "0"]),
    ("stir_s = 30", "stir_s = {}", 34, "times.stir_s", ["0", "-30", "true"]),
    ("pressure_s = 600", "pressure_s = {}", 35, "times.pressure_s", ["0", "-1"]),
    ("demold_s = 900", "demold_s = {}", 36, "times.demold_s", ["0", '"15 min"']),
    ("trim_until_s = 14400", "trim_until_s = {}", 37, "times.trim_until_s", ["0", "nan"]),
    ("target_index = 105", "target_index = {}", 39, "chemistry.target_index", ["0", "1.05", "-1"]),
    ('fill = "half fill, tip each mold, top off"', "fill = {}", 41, "prompts.fill",
     ["1", '""', '["a"]', '"a\\u001b[2J"', '"a\\nb"', '" a"']),
    ('name = "Slate knob, fast urethane"', "name = {}", 1, "name",
     ['""', '" x"', '"a\\nb"', "1", f'"{"x" * 81}"']),
    ('name = "A"', "name = {}", 6, "part[1].name", ['""', '"cup"', '"dye"', "1", '"a\\u0007b"']),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "value"),
    [(old, new, line, key, v) for old, new, line, key, values in IMPOSSIBLE for v in values],
)
def test_an_impossible_value_is_refused_with_line_and_key(old, new, line, key, value):
    problems = told(changed(old, new.format(value)))
    assert [(p[0], p[1]) for p in problems] == [(line, key)]
    assert problems[0][2]
    assert problems[0][3]


def test_a_problem_is_one_plain_sentence():
    with pytest.raises(RecipeError) as refused:
        parse_recipe(changed("nco_pct = 23.0", "nco_pct = 230"), "knob.toml")
    assert (
        str(refused.value)
        == "knob.toml, line 9, part[1].nco_pct: found 230, expected a number of at most 100."
    )


def test_a_weight_or_a_volume_and_all_parts_alike():
    both = changed("by_weight = 100", "by_weight = 100\nby_volume = 1\ndensity = 1.1")
    assert [(p[0], p[1]) for p in told(both)] == [(8, "part[1].by_volume")]
    neither = changed("by_weight = 100\n", "")
    assert [(p[0], p[1], p[2]) for p in told(neither)] == [(5, "part[1]", "no amount")]
    mixed = changed("by_weight = 90", "by_volume = 90\ndensity = 1.1")
    assert [(p[0], p[1], p[3]) for p in told(mixed)] == [
        (12, "part[2].by_volume", "all parts alike: by_weight")
    ]


def test_a_volume_needs_a_density():
    text = changed("by_weight = 100", "by_volume = 1").replace("by_weight = 90", "by_volume = 1")
    problems = told(text)
    assert [(p[0], p[1]) for p in problems] == [(5, "part[1]"), (10, "part[2]")]
    assert all("density in g/mL" in p[3] for p in problems)


def test_a_density_in_the_wrong_unit_is_refused():
    text = SMALLEST.replace("by_weight = 100", "by_volume = 2\ndensity = 1150").replace(
        "by_weight = 90", "by_volume = 1\ndensity = 1.0"
    )
    assert [(p[0], p[1]) for p in told(text)] == [(6, "part[1].density")]


def test_one_part_is_no_mix_and_seven_are_a_slip():
    part = '[[part]]\nname = "P{}"\nby_weight = 1\n'
    head, tail = 'name = "K"\nshot_g = 100\n', "[times]\npot_life_s = 180\n"
    one = head + part.format(1) + tail
    assert told(one) == [(3, "part", "one part", "two to six [[part]] tables")]
    seven = head + "".join(part.format(n) for n in range(7)) + tail
    assert [(p[0], p[1], p[2]) for p in told(seven)] == [(3, "part", "7 parts")]
    six = head + "".join(part.format(n) for n in range(6)) + tail
    assert len(parse_recipe(six).parts) == 6


def test_a_part_table_with_single_brackets_is_told_about_double_ones():
    text = 'name = "K"\nshot_g = 100\n[part]\nname = "A"\n'
    assert any(p[:2] == (3, "part") and "[[table]]" in p[3] for p in told(text))


def test_two_parts_of_one_name_are_refused_capitals_or_not():
    assert [(p[0], p[1]) for p in told(changed('name = "B"', 'name = "a"'))][:1] == [
        (11, "part[2].name")
    ]


def test_one_stop_without_the_other_is_refused():
    assert [(p[0], p[1]) for p in told(changed("fine = 0.97\n", ""))] == [(21, "stops.coarse")]
    assert [(p[0], p[1]) for p in told(changed("coarse = 0.75\n", ""))] == [(21, "stops.fine")]


def test_a_cup_must_hold_the_resin_and_its_dye():
    # 132 g of resin; B's 62.526 g bring 62.526 x 0.012/0.988 = 0.759 g of dye.
    assert [(p[0], p[1]) for p in told(changed("capacity_g = 220", "capacity_g = 132.7"))] == [
        (26, "cup.capacity_g")
    ]
    assert parse_recipe(changed("capacity_g = 220", "capacity_g = 132.8")).cup.capacity_g == 132.8


def test_what_clings_to_a_cup_must_leave_something_to_empty():
    text = changed("one_per_part = false", "one_per_part = true")
    assert [(p[0], p[1]) for p in told(changed("clings_g = 0.0", "clings_g = 70", text))] == [
        (28, "cup.clings_g")
    ]


def test_figures_that_cannot_share_a_jug_are_refused():
    text = changed("nco_pct = 23.0", "nco_pct = 23.0\noh_number = 50")
    assert [(p[0], p[1]) for p in told(text)] == [(10, "part[1].oh_number")]


def test_a_figure_that_belongs_to_another_role_is_refused():
    text = changed("oh_number = 325", "nco_pct = 20")
    problems = told(text)
    assert [(p[0], p[1]) for p in problems] == [(14, "part[2].nco_pct")]
    assert problems[0][3] == 'role = "isocyanate", or no nco_pct'


def test_all_problems_are_told_at_once_and_in_order():
    text = FULL
    for old, new in [
        ("shot_g = 132.0", 'shot_g = "132"'),
        ("by_weight = 100", "by_weight = nan"),
        ('name = "B"', 'name = "A"'),
        ("coarse = 0.75", "coarse = 0.99"),
        ("one_per_part = false", "one_per_part = 1"),
        ("working_s = 150", "working_s = 999\nbogus = 1"),
        ("fill =", "filling ="),
    ]:
        text = changed(old, new, text)
    assert [(p[0], p[1]) for p in told(text)] == [
        (2, "shot_g"),
        (7, "part[1].by_weight"),
        (11, "part[2].name"),
        (16, "dye.in"),
        (21, "stops.coarse"),
        (27, "cup.one_per_part"),
        (32, "times.working_s"),
        (33, "times.bogus"),
        (42, "prompts.filling"),
    ]


def test_a_rule_is_not_held_against_a_number_that_is_wrong_itself():
    """The cup is not called too small for a shot that could not be read."""
    text = changed("shot_g = 132.0", "shot_g = -1")
    text = changed("capacity_g = 220", "capacity_g = 1", text)
    assert [p[1] for p in told(text)] == ["shot_g"]


# --- what is refused: the file -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('name = "Knob\nshot_g = 1', 1),
        ('name = "Knob"\nshot_g 100', 2),
        ('name = "a"\nname = "b"', 2),
        ("x = 1\ny = [1,\n2", 3),
        ("[[part]]\n[part]\n", 2),
        ("shot_g = 1,5", 1),
    ],
)
def test_what_is_not_toml_is_told_with_its_line(text, line):
    problems = told(text)
    assert [p[0] for p in problems] == [line]
    assert "not TOML" in problems[0][2]


def test_brackets_beyond_reason_are_refused():
    assert told("x = " + "[" * 5000 + "]" * 5000)[0][2] == "brackets nested too deep"


def test_a_number_too_long_to_be_one_is_refused():
    assert "not TOML" in told("x = " + "1" * 5000)[0][2]


def test_bytes_that_are_no_text_are_told_with_their_line(tmp_path):
    path = tmp_path / "knob.toml"
    path.write_bytes(b'name = "Knob"\n# gr\xfcn\n')
    with pytest.raises(RecipeError, match=r"knob\.toml, line 2: found the byte 0xFC"):
        load_recipe(path)


def test_files_that_cannot_be_read_are_told_plainly(tmp_path):
    with pytest.raises(RecipeError, match="no such file"):
        load_recipe(tmp_path / "none.toml")
    with pytest.raises(RecipeError, match="a folder"):
        load_recipe(tmp_path)
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 300_000)
    with pytest.raises(RecipeError, match="more than 256 kB"):
        load_recipe(large)
    with pytest.raises(RecipeError, match="more than 256 kB"):
        load_recipe("/dev/zero")


def test_a_file_that_may_not_be_read_is_told_plainly(tmp_path, monkeypatch):
    def refuse(*_args):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(RecipeError, match="permission denied"):
        load_recipe(tmp_path / "knob.toml")


def test_a_message_never_carries_control_characters():
    with pytest.raises(RecipeError) as refused:
        parse_recipe('"a\\u001b[31m" = 1\nname = "x\\u001b[2J"')
    assert all(line.isprintable() for line in str(refused.value).splitlines())


@settings(deadline=None)
@given(st.text(max_size=200))
@example("part = 3")
@example("[[part]]\n[[part]]\n[part.name]\nx=1")
@example('part = [1, "a", {}]\ntimes = 4\ndye = []\nprompts = 1')
@example("times.pot_life_at = []\nstops = true\ncup = { capacity_g = [] }")
def test_any_text_is_a_recipe_or_a_recipe_error(text):
    try:
        parse_recipe(text)
    except RecipeError as error:
        assert error.problems


def line_of_dye(lines):
    return next((i + 1 for i, line in enumerate(lines) if line.startswith("in = ")), 0)


WRONG = st.sampled_from(["-1", "0", "nan", "true", '"x"', "[]", "{}", "1e308", "1979-05-27", "''"])


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, FULL.count("\n") - 1), WRONG), max_size=6))
def test_any_slips_in_a_recipe_are_told_on_lines_of_the_file(slips):
    lines = FULL.splitlines()
    for index, value in slips:
        lines[index] = re.sub(r"= .*", f"= {value}", lines[index])
    try:
        parse_recipe("\n".join(lines))
    except RecipeError as error:
        # A part that is renamed breaks the line of the dye that goes into it.
        changed_lines = {index + 1 for index, _ in slips} | {line_of_dye(lines)}
        assert all(p.line is not None and 1 <= p.line <= len(lines) for p in error.problems)
        assert any(p.line in changed_lines for p in error.problems)


# --- where recipes are looked for ----------------------------------------------------------------


def test_a_name_is_a_file_stem_in_the_folders_then_in_the_samples(tmp_path):
    own = tmp_path / "own"
    own.mkdir()
    (own / "slate-knob.toml").write_text(SMALLEST)
    assert find_recipe("slate-knob", [own]) == own / "slate-knob.toml"
    assert find_recipe("slate-knob", [tmp_path / "none"]) == SAMPLES_DIR / "slate-knob.toml"
    assert find_recipe("slate-knob.toml", [own]) == own / "slate-knob.toml"
    assert find_recipe(str(own / "slate-knob.toml")) == own / "slate-knob.toml"
    assert list_recipes([own]) == {"slate-knob": own / "slate-knob.toml"}


def test_an_unknown_name_lists_what_there_is():
    with pytest.raises(RecipeError, match='perhaps "slate-knob"'):
        find_recipe("slat-knob")
    with pytest.raises(RecipeError, match=r"one of .*moss-knob"):
        find_recipe("zzz")


@pytest.mark.parametrize("name", ["../secret.toml", "/etc/passwd", "x" * 5000, "a\x00b", ""])
def test_a_name_from_outside_never_leaves_the_folders(name, tmp_path):
    (tmp_path / "secret.toml").write_text(SMALLEST)
    folder = tmp_path / "recipes"
    folder.mkdir()
    with pytest.raises(RecipeError):
        find_recipe(name, [folder], names_only=True)


@pytest.mark.parametrize("name", ["x" * 5000, "a\x00b.toml", "x" * 5000 + ".toml", "none/at.toml"])
def test_a_name_that_no_file_can_have_is_told_plainly(name):
    with pytest.raises(RecipeError, match="no such recipe"):
        find_recipe(name)
