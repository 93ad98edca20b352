"""The record's page: whole in itself, safe whatever a name looks like, light, and it prints."""

import re
import shutil
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.print_page_options import PrintOptions

from daemon.record import record
from daemon.record_trace import PartTrace, Trace
from daemon.report_html import page
from daemon.report_markup import Cell, Column, Markup, table, tag, text
from daemon.report_words import figure, instant, listed, percent, span
from tests.kit_record import Story, finish, pour, slate_knob, slate_order, whole_order


def utc(wall_s):
    return datetime.fromtimestamp(wall_s, UTC)


def of(story, recipe=None):
    return record(story.rows, recipe_of=lambda batch: recipe or slate_knob())


def read(markup):
    """What a person reads: the text without the style, blanks run together."""
    body = re.sub(r"<style>.*?</style>", "", markup, flags=re.DOTALL)
    words = re.sub(r"<[^>]+>", " ", body)
    for name, sign in (("&lt;", "<"), ("&gt;", ">"), ("&quot;", '"'), ("&#x27;", "'")):
        words = words.replace(name, sign)
    return re.sub(r"\s+", " ", words.replace("&amp;", "&"))


class Well(HTMLParser):
    """Complains of elements that are not closed in their order."""

    def __init__(self):
        super().__init__()
        self.open, self.seen = [], []

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))
        if tag not in ("meta", "path", "rect", "circle"):
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def parsed(markup):
    well = Well()
    well.feed(markup)
    assert well.open == []
    return well.seen


@pytest.fixture(scope="module")
def whole():
    """The whole order, with a trace for each batch like those of a real pour."""
    found = of(whole_order())
    points = tuple((s / 5, min(s * 1.4, 69.0)) for s in range(0, 100, 3))
    part = PartTrace("A", 69.5, points, (("stop.coarse", (4.0, 41.0)), ("stop.fine", (9.0, 67.0))))
    traces = [Trace(b.number, (part, part)) for b in found.batches]
    return page(found, utc, traces)


# --- whole in itself -----------------------------------------------------------------------------


def test_the_page_is_well_formed_and_asks_nobody_for_anything(whole):
    names = {name for name, _ in parsed(whole)}
    assert not names & {"script", "link", "img", "iframe", "object", "a", "form"}
    assert not re.search(r"https?:|url\(|@import|//", whole)
    assert "default-src 'none'" in whole


def test_the_page_of_a_whole_order_is_light(whole):
    assert len(whole.encode()) < 200_000


def test_the_page_is_the_same_every_time():
    found = of(whole_order(6))
    assert page(found, utc) == page(found, utc)


EVIL = "<script>alert('x')</script>\"&"


def test_no_name_is_more_than_text():
    """Names, causes, jugs, recipes and colours come from phones and files: all may be hostile."""
    story = Story()
    story.tell("tint.added", dye=EVIL, **{EVIL: EVIL})
    story.tell("order.started", **slate_order(name=EVIL))
    story.tell("person.told", name=EVIL)
    story.tell("ambient.told", of=EVIL, celsius=20)
    story.tell("jug.listed", jug=EVIL, part=EVIL, lot=EVIL, grams=10, use_by=EVIL)
    pour(story, 1, jugs={"A": EVIL, EVIL: EVIL}, pieces=6, order=EVIL)
    bad = {"rejected": 1, "cause": EVIL, "mold": EVIL, "cavity": EVIL}
    finish(story, 1, bad=[bad])
    story.mark(1, EVIL, pieces=6)
    story.opened(2, EVIL, 10, 10, order=EVIL)
    story.tell("batch.abandoned", 2, reason=EVIL)
    written = page(of(story), utc)
    assert "<script" not in written
    assert "alert('x')" not in written.replace("&#x27;", "").replace("alert(x)", "")
    assert {name for name, _ in parsed(written)}.isdisjoint({"script"})
    assert read(written).count("alert('x')") > 8, "and nothing of it is swallowed"


# --- what it says --------------------------------------------------------------------------------


def test_a_reader_of_the_first_lines_knows_what_to_mind(whole):
    said = read(whole)
    assert "Mold 2, cavity 4 gave 11 rejects, more than chance gives" in said
    assert "The ratio was off by more than the recipe allows in batch 9." in said
    assert "Poured after the mix no longer levels: batch 17." in said


def test_promised_and_actual_stand_side_by_side(whole):
    said = read(whole)
    assert "Good pieces 240 242" in said
    assert "Pieces started 256 258" in said
    assert "Rejects 4.0 % 6.2 % (3.6 % to 9.9 %)" in said
    assert "Set-up, h 2.5 as quoted" in said
    assert "Total, EUR 712.07" in said


def test_a_batch_in_one_row_with_what_was_off_in_bold(whole):
    row = next(r for r in re.findall(r"<tr>.*?</tr>", whole) if "+2.54" in r)
    assert "<strong>+2.54</strong>" in row
    assert read(row).split()[:7] == ["9", "12:01", "69.57", "+0.10", "64.94", "+1.70", "+2.54"]
    assert "A3 26-1040, B7 26-1102" in read(row)


def test_a_missed_clock_says_by_how_much(whole):
    assert "17 180 2 s late 8 s" in read(whole)


def test_seconds_are_told_quoted_against_actual(whole):
    assert "cut sprues, each piece 6 6.0 0 % 258 pieces" in read(whole)
    assert "stir, each batch 30 32.0 +7 % 43 batches" in read(whole)


def test_the_colours_history_is_there(whole):
    assert "B7 trial: lighter, slight; leans to blue 0.959 %" in read(whole)
    assert "1880.0 g of base; the master L*a*b* 41.2 −2.1 −9.8" in read(whole)


def test_cautions_defer_to_those_who_know_better(whole):
    said = read(whole)
    assert "Isocyanate: ventilate" in said
    assert "Opening order: witness cup hard" in said
    assert "data sheets, local rules and licensed practice go before all this" in said


def test_an_order_under_way_says_so_far_and_what_is_to_come():
    story = Story()
    story.tell("order.started", **slate_order())
    pour(story, 1, pieces=6, order="Cabinet knobs, slate")
    said = read(page(of(story), utc))
    assert "Promised, and so far" in said
    assert "240 of 240 good pieces are still to come." in said
    assert "6 pieces poured and not counted yet." in said
    assert "Margin, of the price 35.0 % –" in said


def test_an_order_that_was_only_started_has_a_page():
    story = Story()
    story.tell("order.started", **slate_order())
    assert "None has been poured yet." in read(page(of(story), utc))


def test_a_run_without_an_order_has_a_page_without_promises():
    story = Story()
    pour(story, 1)
    said = read(page(record(story.rows), utc))
    assert "Record of a run" in said
    assert "Promised" not in said
    assert "Every mix within its ratio" in said
    assert "Jugs" not in said


def test_a_batch_that_was_given_up_says_why():
    story = Story()
    pour(story, 1)
    story.opened(2, "Slate knob, fast urethane", 69.5, 63.2)
    story.tell("scale.lost", 2, port="/dev/scale", why="unplugged")
    story.tell("batch.abandoned", 2, reason="knocked over")
    said = read(page(of(story), utc))
    assert "Given up: batch 2." in said
    assert "given up; knocked over; scale lost" in said


def test_a_jug_past_its_date_is_minded():
    story = Story()
    story.tell("order.started", **slate_order())
    story.tell("jug.listed", jug="B7", part="B", grams=900, use_by="2026-11-15")
    pour(story, 1, jugs={"B": "B7"}, pieces=6)
    assert "Jug B7 was past its date, 2026-11-15, in batch 1." in read(page(of(story), utc))


def test_what_was_warned_of_before_the_pours_is_told_once():
    story = Story()
    for batch in (1, 2):
        pour(story, batch)
        story.tell("batch.warned", batch, warnings=["Release agent is due."])
    assert "Release agent is due. 1 and 2" in read(page(of(story), utc))


def test_it_cost_more_than_was_quoted():
    story = Story()
    order = slate_order(pieces=6)
    order["order"] = order["order"] | {"pieces": 6}
    order["plan"] = order["plan"] | {"cost": order["plan"]["cost"] | {"total": 200.0}}
    story.tell("order.started", **order)
    pour(story, 1, pieces=6)
    story.tell("batch.counted", 1, good=6, rejected=0)
    found = of(story)
    more = 100 * (float(found.cost.total) / 200 - 1)
    assert f"It cost {more:.0f} % more than was quoted." in read(page(found, utc))


# --- charts --------------------------------------------------------------------------------------


def test_charts_are_drawn_of_landings_ratio_and_every_pour(whole):
    drawn = [attrs for name, attrs in parsed(whole) if name == "svg"]
    assert len(drawn) == 3 + 43
    assert drawn[0]["aria-label"] == "Landing of A, g off its target, batch by batch"
    assert drawn[3]["aria-label"] == "Pours of batch 1"


def test_without_the_library_there_are_figures_and_how_to_get_charts():
    written = page(of(whole_order(6)), utc, charts=False)
    assert "<svg" not in written
    assert "pip install 'benchpour[report]'" in read(written)
    assert "Landing of A, g" in read(written)


def test_the_control_charts_figures_are_those_of_the_series():
    """Means and limits as in NIST/SEMATECH e-Handbook 6.3.2.2: its ten values as landings."""
    story = Story()
    flow = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
    for batch, value in enumerate(flow, 1):
        story.opened(batch, "Slate", 0.0, 0.0)
        story.mixed(batch, value, 0.0, 0.0)
    said = read(page(of(story), utc))
    assert "Landing of A, g +50.81 1.66 45.82 to 55.80" in said


# --- the small things ----------------------------------------------------------------------------


def test_figures_and_spans():
    assert [figure(v, 2, sign=True) for v in (0.0, -0.001, 0.2, -0.25, None)] == [
        "0.00", "0.00", "+0.20", "−0.25", "–",
    ]  # fmt: skip
    assert [span(s) for s in (-12.4, 119, 120, 185, 3661, 14400, None)] == [
        "12 s", "119 s", "2 min", "3 min 5 s", "61 min", "4 h 0 min", "–",
    ]  # fmt: skip
    assert (percent(0.062), listed([1, 2, 3])) == ("6.2 %", "1, 2 and 3")
    assert instant("yesterday", utc) == "yesterday yesterday"


def test_markup_escapes_all_that_is_not_markup():
    assert text("<b>") == "&lt;b&gt;"
    assert tag("p", Markup("<b>x</b>"), class_='a"b') == '<p class="a&quot;b"><b>x</b></p>'
    rows = table([Column("<h>"), Column("c", figures=False)], [["<1>", Cell("<2>", off=True)]])
    assert "<h>" not in rows
    assert "<strong>&lt;2&gt;</strong>" in rows


# --- in a real browser ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    options = Options()
    profile = tmp_path_factory.mktemp("profile")
    for flag in ("--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    options.binary_location = shutil.which("chromium")
    driver = Chrome(options=options, service=Service(shutil.which("chromedriver")))
    yield driver
    driver.quit()


def test_it_fits_a_screen_and_a_phone_and_prints_on_few_pages(browser, whole, tmp_path):
    """43 batches: the body never scrolls sideways; A4 and Letter hold them on nine pages."""
    file = tmp_path / "record.html"
    file.write_text(whole, encoding="utf-8")
    for width in (1050, 420):
        browser.set_window_size(width, 900)
        browser.get(file.as_uri())
        wide = "return [document.documentElement.scrollWidth, window.innerWidth]"
        content, window = browser.execute_script(wide)
        assert content <= window
    assert browser.get_log("browser") == []
    for size in ((21.0, 29.7), (21.59, 27.94)):
        paper = PrintOptions()
        paper.page_width, paper.page_height = size
        assert pages(browser.print_page(paper)) <= 9


def pages(printed):
    """How many pages a PDF has."""
    import base64

    return len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(printed)))
