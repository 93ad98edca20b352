"""What the page looks and sounds like to eyes, fingers and a screen reader, in every state."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.view import Step, TimerView, Zone
from tests.browser.conftest import pair
from tests.browser.contrast import FOCUS, TEXTS
from tests.browser.floor import CLOCKS, CUP, IDLE, POUR_A, Floor, poured
from tests.browser.phone import Phone
from tests.browser.test_phone import FIGURE, OVER_B, STIR, WORD

LOST = replace(
    POUR_A, scale="lost", scale_note="unplugged", weight_g=None, actual_g=None, remaining_g=None
)
CHECK = replace(
    CUP,
    step=Step.DECIDE,
    needs="confirm",
    prompt="This cup weighs 41.2 g, the last ones 8.4 g. Is it empty?",
    choices=("confirm", "abandon"),
)
DUE = replace(
    IDLE,
    prompt="Demold batch 20.",
    due="demolded (batch 20)",
    choices=("next", "start", "timer"),
    timers=CLOCKS,
)
STATES = {
    "idle": IDLE,
    "due": DUE,
    "cup": CUP,
    "dump": poured(POUR_A, 31.2, 9.0, Zone.DUMP),
    "ease": poured(POUR_A, 57.4, 3.1, Zone.EASE),
    "stop": poured(POUR_A, 68.1, 1.9, Zone.STOP),
    "landed": poured(replace(POUR_A, step=Step.SETTLE), 69.6, 0.0, Zone.LANDED),
    "short": poured(POUR_A, 68.1, 0.0, Zone.SHORT),
    "decide": OVER_B,
    "check": CHECK,
    "stir": STIR,
    "lost": LOST,
}


async def shown(phone: Phone, floor: Floor, name: str) -> None:
    """The state is on the screen, its prompt made one of a kind."""
    floor.show(replace(STATES[name], prompt=f"{STATES[name].prompt} ({name})"))
    await phone.until(f"document.getElementById('prompt').textContent.endsWith('({name})')")


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_every_text_stands_out_in_every_state(
    control: Phone, floor: Floor, scheme: str
) -> None:
    """WCAG 2.2, success criterion 1.4.3, level AA."""
    await control.light(scheme)
    for name in STATES:
        await shown(control, floor, name)
        found = await control.run(TEXTS)
        assert len(found) > 5
        assert [one for one in found if one[1] < one[2]] == [], name
    await shown(control, floor, "dump")
    await control.press("#open-settings")
    assert [one for one in await control.run(TEXTS) if one[1] < one[2]] == []
    floor.silent = True
    await control.until("document.getElementById('banner').textContent.startsWith('Nothing')")
    assert [one for one in await control.run(TEXTS) if one[1] < one[2]] == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_where_the_keyboard_is_can_be_seen(control: Phone, floor: Floor, scheme: str) -> None:
    """WCAG 2.2, success criterion 1.4.11: 3 to 1 against what is around the ring."""
    await control.light(scheme)
    for name, most in (("decide", 8), ("check", 8), ("due", 12)):
        await shown(control, floor, name)
        seen = {}
        for _ in range(most):
            await tab(control)
            if found := await control.run(FOCUS):
                seen[found[0]] = found[1:]
        assert {"open-benches", "open-settings"} < set(seen)
        assert [one for one in seen.items() if min(one[1]) < 3] == [], name


async def tab(phone: Phone) -> None:
    for kind in ("keyDown", "keyUp"):
        key = {"type": kind, "key": "Tab", "code": "Tab", "windowsVirtualKeyCode": 9}
        await phone.cdp("Input.dispatchKeyEvent", key)


async def test_between_batches_the_clock_that_ends_next_is_the_figure(
    control: Phone, floor: Floor
) -> None:
    await shown(control, floor, "due")
    await control.until(f"{WORD} === 'Ready' && {FIGURE}.startsWith('0:2')")
    assert await control.text("#figure-says") == "demold, batch 20"
    assert await control.text("#figure-more") == "0.0 g on the scale"
    over = TimerView("demold-20", 20, "demold", -900.0, -60.0, -5.0, "ended")
    floor.show(replace(DUE, timers=(over, *CLOCKS[:2])))
    await control.until("document.getElementById('figure-says').textContent.startsWith('over')")
    floor.show(replace(STIR, timers=CLOCKS))
    await control.until(f"{WORD} === 'Mixed'")
    await control.until("document.getElementById('figure-says').textContent === 'pot life'")


async def test_a_landing_is_no_overshoot_and_a_question_no_alarm(
    control: Phone, floor: Floor
) -> None:
    await shown(control, floor, "landed")
    assert (await control.text("#figure"), await control.text("#figure-says")) == (
        "+0.1",
        "g off target",
    )
    await shown(control, floor, "check")
    assert await control.text("#hero-word") == "CHECK"
    assert await control.run("return document.getElementById('hero').dataset.tone") == "ease"


async def test_what_cannot_be_done_now_has_no_button(control: Phone, floor: Floor) -> None:
    await shown(control, floor, "idle")
    assert await control.texts("#dock .big") == ["Start a batch the recipe in use"]
    await shown(control, floor, "due")
    assert await control.texts("#dock .big") == ["Demolded next: batch 20"]
    assert await control.run("return document.querySelector('.clock-head').disabled") is False
    floor.silent = True
    await control.until("document.getElementById('banner').textContent.startsWith('Nothing')")
    assert await control.text("#line") == "unheard"
    assert await control.texts("#dock button, #answers button") == []
    assert await control.run("return document.querySelector('.clock-head').disabled") is True


async def test_a_screen_reader_hears_a_turn_once_and_no_counting(
    control: Phone, floor: Floor
) -> None:
    """Grams and seconds change all the time; only states are said, and loudly what cannot wait."""
    await shown(control, floor, "dump")
    await control.run(
        "window.said = [];"
        "for (const id of ['say', 'shout', 'banner', 'toast']) {"
        "const e = document.getElementById(id); new MutationObserver(() => {"
        "if (e.getAttribute('role') && e.textContent) said.push(e.textContent); })"
        ".observe(e, {childList: true, characterData: true, subtree: true}); }"
    )
    for grams in (40.0, 45.0, 50.0):
        floor.show(poured(POUR_A, grams, 9.0, Zone.DUMP))
        await control.until(f"{FIGURE} === '{69.5 - grams:.1f}'")
    floor.show(poured(POUR_A, 68.1, 1.9, Zone.STOP, prompt="Stop."))
    await control.until("said.includes('Stop A.')")
    floor.silent = True
    await control.until("document.getElementById('banner').textContent.includes(' 6 s')")
    heard = await control.run("return said")
    assert sorted(heard) == ["Stop A.", "Stop.", "Unheard. Go by the scale, not by this screen."]


async def test_where_a_page_may_it_keeps_the_screen_on_while_a_batch_is_open(
    phone: Phone, floor: Floor
) -> None:
    asks = (
        "window.awake = []; navigator.wakeLock.request = async (what) => { awake.push(what);"
        "return Object.assign(new EventTarget(), {release() {"
        "awake.push('let go'); this.dispatchEvent(new Event('release')); }}); };"
    )
    script = await phone.cdp("Page.addScriptToEvaluateOnNewDocument", {"source": asks})
    try:
        floor.show(IDLE)
        await pair(phone, floor, "watch")
        await shown(phone, floor, "cup")
        await phone.until("awake.length === 1")
        await shown(phone, floor, "dump")
        await shown(phone, floor, "idle")
        await phone.until("awake.length === 2")
        await shown(phone, floor, "cup")
        await phone.until("awake.length === 3")
        assert await phone.run("return awake") == ["screen", "let go", "screen"]
    finally:
        await phone.cdp("Page.removeScriptToEvaluateOnNewDocument", script)


async def test_where_it_may_not_it_says_what_the_person_can_do(phone: Phone, floor: Floor) -> None:
    never = "Object.defineProperty(navigator, 'wakeLock', {value: undefined});"
    script = await phone.cdp("Page.addScriptToEvaluateOnNewDocument", {"source": never})
    try:
        await pair(phone, floor, "watch")
        await shown(phone, floor, "cup")
        await phone.press("#open-settings")
        assert "set the screen timeout" in await phone.text("#stay-on")
    finally:
        await phone.cdp("Page.removeScriptToEvaluateOnNewDocument", script)


async def test_a_page_that_came_through_in_part_tries_again(control: Phone, floor: Floor) -> None:
    """A radio network loses one file of sixteen: nobody is left before an empty screen."""
    lose = {"urls": ["*/draw.js"]}
    await control.cdp("Network.enable", {})
    await control.cdp("Network.setBlockedURLs", lose)
    await control.open(floor.origin)
    await control.until("document.getElementById('start').textContent.includes('Trying again')")
    await control.cdp("Network.setBlockedURLs", {"urls": []})
    await control.until("document.getElementById('line').dataset.line === 'up'")
    assert await control.text("#start") == ""
    await control.complaints()  # of the file that was kept back


async def test_an_impatient_thumb_is_served_every_time(control: Phone, floor: Floor) -> None:
    await control.cdp("Network.enable", {})
    await control.cdp("Network.setCacheDisabled", {"cacheDisabled": True})
    floor.show(IDLE)
    for _ in range(9):
        await control.open(floor.origin)
    await control.until("document.getElementById('line').dataset.line === 'up'")
    assert await control.complaints() == []
    await control.cdp("Network.setCacheDisabled", {"cacheDisabled": False})
