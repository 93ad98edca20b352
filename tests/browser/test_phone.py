"""The phone page in a real browser, over a real broker, through the real gate."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from daemon.view import PartView, Step, StopsView, TimerView, Zone
from tests.browser.conftest import pair
from tests.browser.floor import CLOCKS, CUP, IDLE, POUR_A, Floor, poured, until
from tests.browser.phone import Phone

WORD = "document.getElementById('hero-word').textContent"
FIGURE = "document.getElementById('figure').textContent"

POUR_B = replace(
    POUR_A,
    part="B",
    target_g=62.5,
    stops=StopsView(50.1, 60.8),
    parts=(PartView("A", 69.5, 69.6, 0.1, True), PartView("B", 62.5)),
    prompt="Pour B: 62.5 g.",
    timers=CLOCKS[:1],
)
OVER_B = replace(
    poured(POUR_B, 66.6, 0.0, Zone.OVER),
    step=Step.DECIDE,
    prompt="B is 4.1 g over. Correct: 4.6 g more A (cup 140.8 g). Or accept it as it is.",
    needs="accept or correct",
    choices=("correct", "accept", "abandon"),
    ratio_error_pct=6.4,
    total_g=136.2,
)
STIR = replace(
    IDLE,
    batch=22,
    step=Step.STIR,
    timers=(TimerView("stir-22", 22, "stir", -9.0, None, 21.0, "running"), *CLOCKS),
    parts=(PartView("A", 69.5, 69.6, 0.1, True), PartView("B", 62.5, 62.4, -0.1, True)),
    ratio_error_pct=-0.3,
    total_g=132.0,
    prompt="Stir 30 s, sides and bottom too; then fill the molds.",
    caution="It heats itself: do not leave a big or left-over cup standing full.",
    choices=("next", "timer"),
    due="stirred (batch 22)",
)


async def test_a_phone_is_paired_by_the_address_and_stays_so(phone: Phone, floor: Floor) -> None:
    await phone.open(floor.origin)
    assert "benchpour phone pair" in await phone.text("#pair")
    await phone.open(await floor.code())
    await phone.until("document.activeElement.id === 'pair-go'")
    assert await phone.run("return location.href") == floor.origin
    await phone.type("#pair-name", "bench phone")
    await phone.press("#pair-go")
    await phone.until("document.getElementById('line').dataset.line === 'up'")
    assert [one.name for one in floor.pairing.book.phones] == ["bench phone"]
    assert await phone.text("#pair") == ""
    await phone.open(floor.origin)
    await phone.until("document.getElementById('line').dataset.line === 'up'")
    await until(lambda: floor.page.phones == ("bench phone",))


async def test_a_wrong_code_and_a_name_that_is_taken_are_told_and_can_be_mended(
    phone: Phone, floor: Floor
) -> None:
    await pair(phone, floor, "watch")
    taken = floor.pairing.book.phones[0].name
    await phone.open(await floor.code())
    await phone.until("document.activeElement.id === 'pair-go'")
    code = await phone.run("return document.getElementById('pair-code').value")
    await phone.type("#pair-code", "ABCDABCD")
    await phone.press("#pair-go")
    await phone.until("document.getElementById('pair-error').textContent.includes('not right')")
    await phone.type("#pair-code", f" {code[:4]}-{code[4:]}".lower())
    await phone.type("#pair-name", taken.upper())
    await phone.press("#pair-go")
    await phone.until("document.getElementById('pair-error').textContent.includes('already')")
    await phone.type("#pair-name", "another")
    await phone.press("#pair-go")
    await phone.until("document.getElementById('line').dataset.line === 'up'")
    assert [one.name for one in floor.pairing.book.phones] == [taken, "another"]


async def test_a_whole_dispense_from_the_cup_to_the_stirring(control: Phone, floor: Floor) -> None:
    phone = control
    floor.show(CUP)
    await phone.until(f"{WORD} === 'Cup'")
    assert (await phone.text("#prompt")).startswith("Batch 22: put an empty cup")
    assert "foam" in await phone.text("#caution")
    assert await phone.texts("#dock button") == ["Tare the cup", "Abandon batch 22"]
    await phone.press("[data-choice=tare]")
    await until(lambda: floor.commands)
    assert floor.commands[-1]["do"] == "tare"
    await phone.until("document.getElementById('toast').textContent === 'Tare the cup: done.'")

    floor.show(poured(POUR_A, 31.2, 9.0, Zone.DUMP))
    await phone.until(f"{WORD} === 'Pour' && {FIGURE} === '38.3'")
    assert await phone.text("#figure-says") == "g of A to go"
    assert (await phone.text("#figure-more")).replace(
        "\u2011", "-"
    ) == "31.2 of 69.5 g · lands 34.4"
    assert await phone.texts(".mark span") == ["target 69.5", "stop 67.9", "ease 56.2"] or set(
        await phone.texts(".mark span")
    ) == {"ease 56.2", "stop 67.9", "target 69.5"}
    low = await phone.run("return document.getElementById('level').offsetHeight")

    for grams, flow, zone, word, tone in [
        (57.0, 2.0, Zone.EASE, "Ease off", "ease"),
        (68.9, 0.8, Zone.STOP, "Stop", "stop"),
    ]:
        floor.show(poured(POUR_A, grams, flow, zone))
        await phone.until(f"{WORD} === '{word}'")
        assert await phone.run("return document.getElementById('hero').dataset.tone") == tone
    assert await phone.run("return document.getElementById('shout').textContent") == "Stop A."
    assert await phone.run("return document.getElementById('level').offsetHeight") > 2 * low

    floor.show(replace(poured(POUR_A, 69.6, 0.0, Zone.LANDED), step=Step.SETTLE))
    await phone.until(f"{WORD} === 'Landed' && {FIGURE} === '+0.1'")

    floor.show(poured(POUR_B, 12.0, 8.0, Zone.DUMP))
    await phone.until(f"{FIGURE} === '50.5'")
    await phone.until("document.getElementById('soonest').innerText.startsWith('pot life 2:1')")

    floor.show(OVER_B)
    await phone.until(f"{WORD} === 'Decide'")
    assert await phone.text("#figure") == "+4.1"
    assert "Correct: 4.6 g more A" in await phone.text("#prompt")
    assert await phone.texts("#answers button") == [
        "Correct add what is missing",
        "Accept keep it: ratio +6.4 %",
    ]
    await phone.press("[data-choice=correct]")
    await until(lambda: floor.commands[-1]["do"] == "correct")

    floor.show(STIR)
    await phone.until(f"{WORD} === 'Stir'")
    assert await phone.texts("#answers button") == []
    assert await phone.texts("#dock button") == ["Stirred next: batch 22"]
    await phone.press("#dock button")
    await until(lambda: floor.commands[-1]["do"] == "next")
    assert await phone.texts("#parts tr") == [
        "A 69.5 69.6 +0.1",
        "B 62.5 62.4 −0.1",
        "mix 132.0 −0.3 %",
    ]


async def test_the_figure_follows_each_weight_between_two_states(
    control: Phone, floor: Floor
) -> None:
    """States come twice a second at the most, weights ten times: the figure takes both."""
    await control.run(
        "window.seen = new Set();"
        "new MutationObserver(() => seen.add(document.getElementById('figure').textContent))"
        ".observe(document.getElementById('figure'), {childList: true, subtree: true})"
    )
    floor.show(poured(POUR_B, 0.0, 0.0, Zone.DUMP))
    await control.until(f"{FIGURE} === '62.5'")
    for step in range(1, 21):
        floor.show(poured(POUR_B, step * 1.5, 15.0, Zone.DUMP))
        await control.run("return new Promise(done => setTimeout(done, 100))")
    await control.until(f"{FIGURE} === '32.5'")
    assert await control.run("return seen.size") >= 14


async def test_before_a_batch_is_abandoned_the_phone_asks_again(
    control: Phone, floor: Floor
) -> None:
    floor.show(poured(POUR_A, 31.2, 9.0, Zone.DUMP))
    await control.until("document.querySelector('[data-choice=abandon]')")
    await control.press("[data-choice=abandon]")
    assert await control.texts("#dock button") == ["Press again batch 22"]
    assert floor.commands == []
    await control.press("[data-choice=abandon]")
    await until(lambda: floor.commands)
    assert floor.commands[0]["do"] == "abandon"


async def test_what_the_bench_refuses_is_shown_and_so_is_its_silence(
    control: Phone, floor: Floor
) -> None:
    floor.refuse = "Nothing is due now."
    floor.show(STIR)
    await control.until("document.querySelector('[data-choice=next]')")
    await control.press("[data-choice=next]")
    await control.until("document.getElementById('toast').textContent === 'Nothing is due now.'")
    floor.deaf = True
    await control.press("[data-choice=next]")
    await control.until("document.getElementById('toast').textContent.startsWith('No answer')")
    assert [asked["do"] for asked in floor.commands] == ["next", "next"]


async def test_the_clocks_run_on_by_themselves_and_one_can_be_lengthened(
    control: Phone, floor: Floor
) -> None:
    soon = TimerView("demold-20", 20, "demold", -870.0, -20.0, 2.0, "warned")
    floor.show(replace(STIR, timers=(soon, *STIR.timers[:2])))
    await control.until("document.querySelectorAll('#clocks li').length === 3")
    names = [one.rsplit(" ", 1)[0] for one in await control.texts("#clocks .clock-head")]
    assert names == ["demold · batch 20", "stir · batch 22", "pot life · batch 22"]
    floor.silent = True
    await control.until("document.querySelector('#clocks li').dataset.state === 'over'")
    assert "over 0:0" in (await control.texts("#clocks .clock-head"))[0]
    floor.silent = False
    await control.press("#clocks li:first-child .clock-head")
    await control.press("#clocks li:first-child .clock-acts button")
    await until(lambda: floor.commands)
    assert floor.commands[0] | {"id": 0} == {
        "id": 0,
        "do": "timer",
        "timer": "demold-20",
        "extend_s": 60,
    }


async def test_a_phone_whose_own_clock_is_an_hour_off_shows_the_benchs_time(
    phone: Phone, floor: Floor
) -> None:
    shift = "const real = Date.now.bind(Date); Date.now = () => real() - 3_600_000;"
    script = await phone.cdp("Page.addScriptToEvaluateOnNewDocument", {"source": shift})
    try:
        floor.show(STIR)
        await pair(phone, floor, "watch")
        await phone.until(f"{FIGURE}.startsWith('0:')")
        left = await phone.text("#clocks li:nth-child(3) .clock-left")
        assert left.startswith("2:")
        floor.silent = True
        await phone.open(floor.origin)
        await phone.until(f"{FIGURE}.startsWith('0:')")
    finally:
        await phone.cdp("Page.removeScriptToEvaluateOnNewDocument", script)


async def test_the_broker_dies_and_the_page_says_so_and_comes_back_by_itself(
    control: Phone, floor: Floor
) -> None:
    floor.show(poured(POUR_A, 31.2, 9.0, Zone.DUMP))
    await control.until(f"{FIGURE} === '38.3'")
    await control.run("window.same = true")
    for _ in range(3):
        floor.kill_broker()
        await control.until("document.body.dataset.stale === 'yes'")
        assert (await control.text("#banner")).startswith("Cut off")
        assert await control.text("#hero-word") == "CUT OFF"
        assert await control.text("#figure") == "–"
        assert await control.texts("#dock button, #answers button") == []
        floor.show(poured(POUR_A, 57.0, 2.0, Zone.EASE))
        await control.until(f"{FIGURE} === '12.5' && document.body.dataset.stale === 'no'")
        assert await control.texts("#dock button") == ["Abandon batch 22"]
    assert await control.run("return window.same")


async def test_a_bench_that_falls_silent_is_not_believed(control: Phone, floor: Floor) -> None:
    floor.show(poured(POUR_A, 31.2, 9.0, Zone.DUMP))
    await control.until(f"{FIGURE} === '38.3'")
    floor.silent = True
    await control.until("document.getElementById('banner').textContent.startsWith('Nothing heard')")
    assert await control.text("#figure") == "–"
    floor.silent = False
    await control.until(f"{FIGURE} === '38.3'")


async def test_a_bench_that_ends_is_off(control: Phone, floor: Floor) -> None:
    floor.show(STIR)
    await control.until(f"{WORD} === 'Stir'")
    await floor.end("bench")
    await control.until(f"{WORD} === 'Off'")
    assert await control.texts("#dock button") == []


async def test_a_scale_that_is_lost_fills_the_screen(control: Phone, floor: Floor) -> None:
    floor.show(
        replace(
            POUR_A,
            scale="lost",
            scale_note="unplugged",
            weight_g=None,
            actual_g=None,
            remaining_g=None,
            prompt="Stop pouring. No reading: unplugged. Check cable and power.",
        )
    )
    await control.until(f"{WORD} === 'Scale lost' && {FIGURE} === '–'")
    assert await control.text("#banner") == ""


async def test_a_forgotten_phone_is_cut_off_and_asked_to_pair_again(
    control: Phone, floor: Floor
) -> None:
    floor.show(STIR)
    await control.until(f"{WORD} === 'Stir'")
    await floor.pairing.forget(floor.pairing.book.phones[0].name)
    await control.until("!document.getElementById('pair').hidden")
    assert "does not know this phone any more" in await control.text("#pair-why")
    assert await control.text("#bench") == ""
    assert await control.run("return localStorage.getItem('benchpour.paired')") is None


async def test_two_phones_see_the_same_and_only_one_has_buttons(
    control: Phone, second_phone: Phone, floor: Floor
) -> None:
    await pair(second_phone, floor, "watch")
    floor.show(OVER_B)
    for phone in (control, second_phone):
        await phone.until(f"{WORD} === 'Decide' && {FIGURE} === '+4.1'")
    assert len(await control.texts("#answers button, #dock button")) == 3
    assert await second_phone.texts("#answers button, #dock button") == []
    assert await second_phone.text("#line") == "watching"
    await second_phone.open("about:blank")


async def test_all_benches_of_the_shop_are_listed_and_turned_to(
    control: Phone, floor: Floor
) -> None:
    floor.show(STIR)
    floor.show(replace(IDLE, batch=7, due="demolded (batch 7)", choices=("next",)), "east")
    await control.until("document.getElementById('bench-name').textContent === 'bench ▾'")
    await control.press("#open-benches")
    assert await control.texts("#bench-list button") == ["bench STIR batch 22 · stir 0:21"] or [
        one.split()[0] for one in await control.texts("#bench-list button")
    ] == ["bench", "east"]
    await control.press("[data-bench=east]")
    await control.until("document.getElementById('bench-name').textContent === 'east ▾'")
    await control.until(f"{WORD} === 'Ready'")
    assert await control.texts("#dock button") == ["Demolded next: batch 7"]
    await control.press("[data-choice=next]")
    await until(lambda: floor.commands)
    assert floor.commands[0]["bench"] == "east"
    await control.until("document.getElementById('toast').textContent === 'Demolded: done.'")


async def test_cues_are_heard_when_something_turns_and_not_for_what_was_so(
    control: Phone, floor: Floor
) -> None:
    await control.run(
        "window.shaken = []; navigator.vibrate = (p) => shaken.push(p);"
        "window.notes = 0; const start = OscillatorNode.prototype.start;"
        "OscillatorNode.prototype.start = function (at) { notes += 1; start.call(this, at); }"
    )
    floor.show(poured(POUR_A, 31.2, 9.0, Zone.DUMP))
    await control.until(f"{FIGURE} === '38.3'")
    before = await control.run("return shaken.length")
    floor.show(poured(POUR_A, 57.0, 2.0, Zone.EASE))
    await control.until("shaken.length > 0")
    floor.show(poured(POUR_A, 68.0, 2.0, Zone.STOP))
    await control.until("shaken.at(-1)[0] === 600")
    assert await control.run("return shaken.length") == before + 2
    assert await control.run("return notes") >= 3
    await control.run("window.shaken.length = 0")
    await control.run("document.dispatchEvent(new Event('visibilitychange'))")
    assert await control.run("return shaken.length") == 0


async def test_light_hand_and_sound_are_chosen_and_kept(control: Phone, floor: Floor) -> None:
    floor.show(poured(POUR_A, 31.2, 9.0, Zone.DUMP))
    ground = "getComputedStyle(document.body).backgroundColor"
    await control.light("dark")
    dark = await control.run(f"return {ground}")
    await control.light("light")
    light = await control.run(f"return {ground}")
    assert dark != light
    await control.press("#open-settings")
    assert "sees and commands" in await control.text("#whoami")
    assert "keeps the screen on" in await control.text("#settings")
    await control.press("#set-theme label:nth-of-type(3) input")
    await control.press("#set-hand label:nth-of-type(1) input")
    assert await control.run(f"return {ground}") == dark
    await control.open(floor.origin)
    await control.until(f"{FIGURE} === '38.3'")
    assert await control.run(f"return {ground}") == dark
    middle = "innerWidth / 2"
    gauge = "document.getElementById('gauge').getBoundingClientRect()"
    assert await control.run(f"return {gauge}.left > {middle}")


STATES = {
    "idle": IDLE,
    "cup": CUP,
    "dump": poured(POUR_A, 31.2, 9.0, Zone.DUMP),
    "short": poured(POUR_A, 68.1, 0.0, Zone.SHORT),
    "over": OVER_B,
    "stir": STIR,
    "big": poured(
        replace(POUR_A, target_g=4321.75, stops=StopsView(3000.0, 4300.0), division_g=0.01),
        12.34,
        200.0,
        Zone.DUMP,
    ),
}


@pytest.mark.parametrize(("width", "height"), [(320, 568), (390, 844), (844, 390), (1200, 800)])
async def test_nothing_is_cut_off_at_any_size(
    control: Phone, floor: Floor, width: int, height: int
) -> None:
    metrics = {"width": width, "height": height, "deviceScaleFactor": 2, "mobile": True}
    await control.cdp("Emulation.setDeviceMetricsOverride", metrics)
    try:
        for name, view in STATES.items():
            floor.show(view)
            prompt = await control.run("return arguments[0]", view.prompt)
            await control.until(f"document.getElementById('prompt').textContent === {prompt!r}")
            wide = await control.run(
                "return [...document.querySelectorAll('h1,h2,p,button,.clock-left,#figure,td')]"
                ".filter(e => e.checkVisibility() && !e.classList.contains('unseen'))"
                ".filter(e => e.getBoundingClientRect().right > innerWidth + 1"
                " || e.clientWidth && e.scrollWidth > e.clientWidth + 1)"
                ".map(e => `${e.id || e.className || e.tagName}: ${e.textContent}`)"
            )
            assert wide == [], name
            assert await control.run("return document.documentElement.scrollWidth <= innerWidth")
    finally:
        await control.cdp("Emulation.clearDeviceMetricsOverride", {})


async def test_every_control_has_a_name_and_can_be_reached_by_keyboard(
    control: Phone, floor: Floor
) -> None:
    floor.show(OVER_B)
    await control.until(f"{WORD} === 'Decide'")
    tree = (await control.cdp("Accessibility.getFullAXTree", {}))["nodes"]
    shown = [node for node in tree if not node["ignored"]]
    names = {
        (node["role"]["value"], node.get("name", {}).get("value", ""))
        for node in shown
        if node["role"]["value"] in ("button", "heading", "main", "status", "alert", "table")
    }
    assert "decide" in [name.lower() for role, name in names if role == "heading"]
    assert ("button", "Settings") in names
    assert [name for role, name in names if role == "button" and not name] == []
    reached = []
    for _ in range(12):
        await control.cdp(
            "Input.dispatchKeyEvent", {"type": "keyDown", "key": "Tab", "code": "Tab"}
        )
        reached.append(await control.run("return document.activeElement.dataset.choice ?? ''"))
        if reached[-1] == "correct":
            break
    assert reached[-1] == "correct"
    for kind in ("keyDown", "keyUp"):
        key = {
            "type": kind,
            "key": "Enter",
            "code": "Enter",
            "text": "\r",
            "windowsVirtualKeyCode": 13,
        }
        await control.cdp("Input.dispatchKeyEvent", key)
    await until(lambda: floor.commands)
    assert floor.commands[0]["do"] == "correct"


async def test_a_page_that_was_asleep_is_back_quickly(control: Phone, floor: Floor) -> None:
    """A phone that was in a pocket: its line is gone, and it is looked at again."""
    floor.show(STIR)
    await control.until(f"{WORD} === 'Stir'")
    floor.page._gate.cut(floor.page.phones[0])
    await control.until("document.getElementById('line').dataset.line === 'down'")
    async with asyncio.timeout(4):
        await control.until("document.getElementById('line').dataset.line === 'up'")
    assert await control.text("#hero-word") == "STIR"
