"""A whole batch by the real program, a simulated person pouring, seen and commanded on a phone."""

from __future__ import annotations

import asyncio
import signal
import sys
from pathlib import Path

from daemon import control
from daemon.broker_access import HOST
from daemon.journal import Journal
from tests.browser.floor import any_port, moment, until
from tests.browser.phone import Phone

SPEED = 6.0
"""A batch of about a minute takes ten seconds; the page's clocks follow the bench's own time."""

WATCH = """
window.words = []; window.seen = [];
const note = () => {
  const word = document.getElementById('hero-word').textContent;
  if (words.at(-1) !== word) words.push(word);
  seen.push(document.getElementById('figure').textContent);
};
new MutationObserver(note).observe(document.getElementById('hero'),
  {childList: true, characterData: true, subtree: true});
"""


async def paired(phone: Phone, store: Path, port: int) -> None:
    """Pair as a person does: by the running daemon's own command, then the address of the code."""
    asked = {"phone": "pair", "role": "control"}
    found = await asyncio.to_thread(control.ask, store, asked)
    while not found["ok"]:
        assert "just starting" in found["error"]
        found = await asyncio.to_thread(control.ask, store, asked)
    await phone.open(f"http://{HOST}:{port}/#{found['url'].partition('#')[2]}")
    await phone.until("document.activeElement.id === 'pair-go'")
    await phone.press("#pair-go")
    await phone.until("document.getElementById('line').dataset.line === 'up'")


def in_order(words: list[str], *wanted: str) -> bool:
    """Whether these came one after the other, whatever came between."""
    rest = iter(words)
    return all(word in rest for word in wanted)


def test_in_order() -> None:
    assert in_order(["a", "b", "a", "c"], "a", "a", "c")
    assert not in_order(["a", "b"], "b", "a")


async def test_a_phone_sees_a_whole_batch_and_does_what_is_due(
    first_phone: Phone, tmp_path: Path
) -> None:
    phone, port, store = first_phone, any_port(), tmp_path / "store"
    (tmp_path / "benchpour.toml").write_text(f"[phone]\nport = {port}\n", encoding="utf-8")
    command = ["demo", "--speed", str(SPEED), "--batches", "9", "--console", "plain"]
    files = ["--config", str(tmp_path / "benchpour.toml"), "--store", str(store)]
    demo = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "daemon", *command, "--sound", "none", *files),
        stdout=asyncio.subprocess.DEVNULL,
    )
    try:
        await until(lambda: (store / control.NAME).exists())
        await paired(phone, store, port)
        await phone.run(WATCH)
        pour = ("Pour", "Ease off", "Stop")
        while not in_order(await phone.run("return words"), "Cup", *pour, *pour, "Stir"):
            assert demo.returncode is None
            await moment(0.2)
        assert len(set(await phone.run("return seen"))) > 10
        await phone.until("document.querySelector('[data-choice=next]')")
        before = await phone.text("[data-choice=next] b")
        await phone.press("[data-choice=next]")
        await phone.until("document.getElementById('toast').dataset.kind === 'done'")
        assert (await phone.text("#toast")).startswith(before)
        demo.send_signal(signal.SIGTERM)
        await phone.until("document.body.dataset.stale === 'yes'")
        assert await phone.texts("#dock button") == []
        await demo.wait()
        done = Journal(store, write=False)
        marked = done.events_of_kind("batch.marked")
        done.close()
        assert marked
    finally:
        if demo.returncode is None:
            demo.kill()
            await demo.wait()
        await phone.open("about:blank")
        await phone.complaints()
