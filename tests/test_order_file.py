"""Order files: what is refused, where, and in which words; what is left out takes its default."""

import datetime
import shutil

import pytest

from recipes.loader import SAMPLES_DIR, RecipeError
from recipes.order import Order
from recipes.order_loader import SAMPLE_ORDERS_DIR, OrderError, load_order, parse_order

SMALLEST = """\
name = "Knobs"
recipe = "slate-knob"
pieces = 12
[mold]
cavities = 6
grams_per_piece = 21.5
"""

FULL = """\
name = "Cabinet knobs, slate"
recipe = "slate-knob"
pieces = 240
[mold]
cavities = 6
count = 2
grams_per_piece = 21.5
pulls_left = 40
release_every = 10
[tank]
molds = 2
[allow]
reject_pct = 4
confidence_pct = 95
[seconds]
dispense = 75
fill = 90
demold = 120
[[operation]]
name = "cut sprues"
seconds_per_piece = 6
within_s = 14400
[[setup]]
name = "colour match"
minutes = 150
[cost]
currency = "EUR"
per_kg = { A = 14.0, B = 14.0, dye = 220.0 }
labour_per_hour = 32.0
per_batch = 0.60
once = 180.0
margin_pct = 35
[[jug]]
name = "B7"
part = "B"
lot = "26-1102"
grams = 1900
opened = 2026-11-02
keeps_days = 180
shake_every_s = 14400
"""


def changed(old, new, text=FULL):
    assert text.count(old) == 1, old
    return text.replace(old, new)


def refused(tmp_path, text):
    """The problems of an order in a file as (line, key, found, expected)."""
    path = tmp_path / "knobs.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(OrderError) as error:
        load_order(path)
    assert error.value.source == str(path)
    return [(p.line, p.key, p.found, p.expected) for p in error.value.problems]


# --- what is accepted ----------------------------------------------------------------------------


def test_the_whole_example_loads_with_the_recipe_it_names(tmp_path):
    path = tmp_path / "knobs.toml"
    path.write_text(FULL, encoding="utf-8")
    file = load_order(path)
    order = file.order
    assert file.recipe.name == "Slate knob, fast urethane"
    assert file.recipe_path == SAMPLES_DIR / "slate-knob.toml"
    assert (order.mold.count, order.mold.pulls_left, order.mold.release_every) == (2, 40, 10)
    assert order.operations[0].within_s == 14400
    assert order.setup_s == 9000
    assert order.cost.per_kg == {"A": 14.0, "B": 14.0, "dye": 220.0}
    assert order.jugs[0].opened == datetime.date(2026, 11, 2)
    assert order.jugs[0].use_by == datetime.date(2027, 5, 1)


def test_what_is_left_out_takes_its_default():
    order = parse_order(SMALLEST)
    assert (order.mold.count, order.mold.pulls_left, order.mold.release_every) == (1, None, None)
    assert order.tank is None
    assert (order.allow.reject_pct, order.allow.confidence_pct, order.allow.waste_pct) == (0, 95, 0)
    assert order.seconds.dispense is None
    assert (order.operations, order.setups, order.jugs, order.cost) == ((), (), (), None)


@pytest.mark.parametrize("text", [FULL, SMALLEST])
def test_an_order_comes_back_from_the_journal_as_it_went_in(text):
    order = parse_order(text)
    stored = order.model_dump(mode="json")
    assert Order.model_validate(stored) == order
    assert Order.model_validate_json(order.model_dump_json()) == order


def test_a_jug_that_keeps_past_the_last_year_of_the_calendar_still_has_a_date():
    text = changed("opened = 2026-11-02", "opened = 9999-12-01")
    assert parse_order(text).jugs[0].use_by == datetime.date.max


# --- where the recipe is -------------------------------------------------------------------------


def test_a_recipe_is_found_beside_the_order_by_its_path(tmp_path):
    (tmp_path / "mixes").mkdir()
    shutil.copy(SAMPLES_DIR / "moss-knob.toml", tmp_path / "mixes" / "own.toml")
    path = tmp_path / "knobs.toml"
    path.write_text(SMALLEST.replace("slate-knob", "mixes/own.toml"), encoding="utf-8")
    assert load_order(path).recipe.name == "Moss knob, dye in the cup"


def test_the_shop_s_own_recipe_goes_before_a_sample_of_that_name(tmp_path):
    own = tmp_path / "own"
    own.mkdir()
    shutil.copy(SAMPLES_DIR / "moss-knob.toml", own / "slate-knob.toml")
    path = tmp_path / "knobs.toml"
    path.write_text(SMALLEST, encoding="utf-8")
    assert load_order(path, [own]).recipe_path == own / "slate-knob.toml"


@pytest.mark.parametrize(
    ("name", "found", "expected"),
    [
        ("slate-knop", 'no recipe called "slate-knop"', 'perhaps "slate-knob"'),
        ("../slate.toml", 'no file "../slate.toml"', "a recipe's name, or a path from {folder}"),
    ],
)
def test_a_recipe_that_is_not_there_is_told_at_its_line(tmp_path, name, found, expected):
    problems = refused(tmp_path, SMALLEST.replace("slate-knob", name))
    assert problems == [(2, "recipe", found, expected.format(folder=tmp_path))]


def test_a_recipe_with_a_slip_is_told_with_its_own_file_and_line(tmp_path):
    (tmp_path / "own.toml").write_text('name = "Knob"\nshot_g = "x"\n', encoding="utf-8")
    path = tmp_path / "knobs.toml"
    path.write_text(SMALLEST.replace("slate-knob", "own.toml"), encoding="utf-8")
    with pytest.raises(RecipeError, match=r"own\.toml, line 2, shot_g: found the text"):
        load_order(path)


# --- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "expected"),
    [
        ("pieces = 240", "piecs = 240", 3, "piecs", "perhaps pieces"),
        ("count = 2", "cuont = 2", 6, "mold.cuont", "perhaps count"),
        ("molds = 2", "moulds = 2", 11, "tank.moulds", "perhaps molds"),
        ("dispense = 75", "dispence = 75", 16, "seconds.dispence", "perhaps dispense"),
        ("within_s", "witin_s", 22, "operation[1].witin_s", "perhaps within_s"),
        ("minutes", "minuts", 25, "setup[1].minuts", "perhaps minutes"),
        ("once", "onse", 31, "cost.onse", "perhaps once"),
        ("lot =", "lott =", 36, "jug[1].lott", "perhaps lot"),
    ],
)
def test_a_key_that_is_not_known_is_refused_with_its_line(tmp_path, old, new, line, key, expected):
    problems = refused(tmp_path, changed(old, new))
    assert (line, key, "a key that is not known", expected) in problems


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        (
            "pieces = 240",
            "pieces = 24.5",
            (3, "pieces", "24.5", "a whole number, without quotes"),
        ),
        ("pieces = 240", "pieces = 0", (3, "pieces", "0", "a number of at least 1")),
        (
            "reject_pct = 4",
            "reject_pct = 100",
            (13, "allow.reject_pct", "100", "a number below 100"),
        ),
        (
            "reject_pct = 4",
            "reject_pct = 99",
            (
                13,
                "allow.reject_pct",
                "99, which makes it 24000 pieces to start",
                "20000 pieces or fewer to start",
            ),
        ),
        (
            "confidence_pct = 95",
            "confidence_pct = 100",
            (14, "allow.confidence_pct", "100", "a number of at most 99.99"),
        ),
        (
            "confidence_pct = 95",
            "confidence_pct = 40",
            (14, "allow.confidence_pct", "40", "a number of at least 50"),
        ),
        (
            "margin_pct = 35",
            "margin_pct = 100",
            (32, "cost.margin_pct", "100", "a number below 100"),
        ),
        ('"EUR"', "3", (27, "cost.currency", "3", "text in quotes")),
        (
            "2026-11-02",
            "20261102",
            (38, "jug[1].opened", "20261102", "a date like 2026-11-02, without quotes"),
        ),
        (
            "2026-11-02",
            "2026-11-02T10:00:00",
            (38, "jug[1].opened", "2026-11-02 10:00:00", "a date like 2026-11-02, without quotes"),
        ),
        (
            "keeps_days = 180",
            "keeps_days = 0.5",
            (39, "jug[1].keeps_days", "0.5", "a whole number, without quotes"),
        ),
        (
            "opened = 2026-11-02",
            "",
            (
                39,
                "jug[1].keeps_days",
                "keeps_days without opened",
                "opened, the day from which these days are counted",
            ),
        ),
        (
            '"cut sprues"',
            '"Demolded"',
            (
                20,
                "operation[1].name",
                '"Demolded"',
                "another name: this is a step of the batch itself",
            ),
        ),
        (
            'part = "B"',
            'part = "C"',
            (35, "jug[1].part", '"C"', 'a part of the recipe: "A", "B"'),
        ),
        (
            "dye = 220.0",
            "powder = 9",
            (
                28,
                "cost.per_kg.powder",
                '"powder"',
                'a part of the recipe: "A", "B", "dye"',
            ),
        ),
        (
            "grams_per_piece = 21.5",
            "grams_per_piece = 36.5",
            (
                7,
                "mold.grams_per_piece",
                "6 cavities of 36.5 g, 222.3 g with hold-back and dye",
                "no more than the recipe's cup takes, which is 220 g",
            ),
        ),
    ],
)
def test_what_cannot_be_is_refused_with_line_and_key(tmp_path, old, new, problem):
    assert refused(tmp_path, changed(old, new)) == [problem]


def test_two_jugs_need_two_names(tmp_path):
    again = '[[jug]]\nname = "b7"\npart = "A"\ngrams = 5\n'
    assert refused(tmp_path, FULL + again) == [
        (42, "jug[2].name", '"b7" again', "a name of its own for each jug, capitals or not")
    ]


def test_what_is_missing_is_told_where_it_belongs(tmp_path):
    problems = refused(tmp_path, changed("cavities = 6\n", ""))
    assert problems == [(4, "mold.cavities", "nothing", "this key, which is required")]


def test_all_that_is_wrong_is_told_at_once(tmp_path):
    text = changed("pieces = 240", "pieces = -1", changed("fill = 90", "fill = 0"))
    assert [(line, key) for line, key, _, _ in refused(tmp_path, text)] == [
        (3, "pieces"),
        (17, "seconds.fill"),
    ]


def test_what_is_not_toml_and_what_is_not_there_is_told(tmp_path):
    assert refused(tmp_path, FULL + "]")[0][:2] == (41, "")
    with pytest.raises(OrderError, match="no such file"):
        load_order(tmp_path / "none.toml")


# --- the samples ---------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted(SAMPLE_ORDERS_DIR.glob("*.toml")), ids=lambda p: p.stem)
def test_a_sample_order_loads_and_says_that_it_is_invented(path):
    file = load_order(path)
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# Invented:")
    assert "obody's order" in text.replace("\n# ", " ")
    assert file.order.pieces > 0
