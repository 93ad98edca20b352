"""Pairing: codes that end, tokens that are kept nowhere, names, roles, and the file."""

from __future__ import annotations

import asyncio
import json
import stat
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon import pairing_store
from daemon.clock import HandClock
from daemon.pairing import (
    ALPHABET,
    CODE_LIVES_S,
    MOST_PHONES,
    Book,
    CodeState,
    PairingError,
    Phone,
    PhoneRole,
    digest,
    free_name,
    new_code,
    spaced,
    tidy_code,
    tidy_name,
    token_of,
)
from daemon.pairing_store import FILE_NAME, Pairing, load_book, save_book

CONTROL, WATCH = PhoneRole.CONTROL, PhoneRole.WATCH
ADA = Phone("Ada's", CONTROL, digest("ada-token"), "2026-01-01T00:00:00.000Z")


def test_a_code_is_eight_symbols_of_an_alphabet_of_thirty_two() -> None:
    assert len(set(ALPHABET)) == 32
    assert new_code(bytes(5), WATCH, 0.0).text == "AAAAAAAA"
    assert new_code(b"\xff" * 5, WATCH, 0.0).text == "99999999"
    # 5 bits a symbol: 00001 00010 00011 ... is B C D ...
    bits = "".join(f"{n:05b}" for n in range(1, 9))
    assert new_code(int(bits, 2).to_bytes(5, "big"), WATCH, 0.0).text == "BCDEFGHJ"


@given(st.binary(min_size=5, max_size=5), st.binary(min_size=5, max_size=5))
def test_different_chance_gives_different_codes(one: bytes, other: bytes) -> None:
    same = new_code(one, WATCH, 0.0).text == new_code(other, WATCH, 0.0).text
    assert same == (one == other)


def test_a_code_is_read_as_people_type_it() -> None:
    assert spaced("ABCDEFGH") == "ABCD-EFGH"
    for typed in ("abcd-efgh", " ABCD EFGH ", "a b c d e f g h"):
        assert tidy_code(typed) == "ABCDEFGH"


def test_a_code_ends_after_five_minutes() -> None:
    code = new_code(bytes(5), WATCH, 100.0)
    assert code.at(100.0 + CODE_LIVES_S - 0.001).state is CodeState.OPEN
    late = code.at(100.0 + CODE_LIVES_S)
    assert late.state is CodeState.LATE
    assert late.tried("AAAAAAAA") == (late, False)


def test_a_code_ends_at_the_fifth_wrong_try_and_the_right_one_comes_too_late() -> None:
    code = new_code(bytes(5), WATCH, 0.0)
    for _ in range(4):
        code, right = code.tried("BBBBBBBB")
        assert not right
    assert code.tried("AAAAAAAA")[1]
    code, _ = code.tried("BBBBBBBB")
    assert code.state is CodeState.GUESSED
    assert not code.tried("AAAAAAAA")[1]


def test_a_token_has_256_bits() -> None:
    token = token_of(bytes(range(32)))
    assert len(token) == 43
    assert token_of(bytes(31) + b"\1") != token_of(bytes(32))


@pytest.mark.parametrize(
    ("typed", "name"), [("  bench   phone ", "bench phone"), ("Zoë", "Zoë"), ("Zoe\u0308", "Zoë")]
)
def test_a_name_is_tidied(typed: str, name: str) -> None:
    assert tidy_name(typed) == name


@pytest.mark.parametrize("typed", ["", "   ", "x" * 33, "a\u200bb", "a\x07b", "\ud800"])
def test_a_name_that_cannot_be_shown_is_refused(typed: str) -> None:
    with pytest.raises(PairingError, match="name"):
        tidy_name(typed)


def test_names_differ_by_more_than_case() -> None:
    book = Book((ADA,))
    with pytest.raises(PairingError, match="already"):
        free_name(book, "ADA'S")
    assert free_name(book, "Bob's") == "Bob's"


def test_there_is_a_limit_to_the_number_of_phones() -> None:
    many = tuple(Phone(f"p{n}", WATCH, "", "") for n in range(MOST_PHONES))
    with pytest.raises(PairingError, match="forget one"):
        free_name(Book(many), "one more")


def test_only_name_and_token_together_let_in() -> None:
    book = Book((ADA, Phone("b", WATCH, digest("b-token"), "")))
    assert book.admitted("Ada's", "ada-token") is ADA
    for name, token in [
        ("Ada's", "b-token"),
        ("b", "ada-token"),
        ("ada's", "ada-token"),
        ("c", ""),
        ("", ""),
        ("Ada's", digest("ada-token")),
        ("b", "\udcff"),
    ]:
        assert book.admitted(name, token) is None


def test_with_the_last_phone_the_network_is_shut_out_again() -> None:
    book = Book((ADA,), opened=True).with_phone(Phone("b", WATCH, "", ""))
    assert book.without("b").opened
    assert not book.without("b").without("ADA'S").opened


def test_the_file_is_for_its_owner_alone_and_comes_back_whole(tmp_path: Path) -> None:
    book = Book((ADA,), opened=True)
    save_book(tmp_path, book)
    assert stat.S_IMODE((tmp_path / FILE_NAME).stat().st_mode) == 0o600
    assert load_book(tmp_path) == book
    assert load_book(tmp_path / "elsewhere") == Book()


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"benchpour_phones": 2}', '{"benchpour_phones": 1, "phones": [{}]}']
)
async def test_a_file_that_cannot_be_read_lets_nobody_in_and_is_left_alone(
    tmp_path: Path, text: str
) -> None:
    (tmp_path / FILE_NAME).write_text(text)
    pairing = Pairing(tmp_path)
    assert "Move the file away" in pairing.trouble
    assert pairing.admitted("Ada's", "ada-token") is None
    with pytest.raises(PairingError, match="Move the file away"):
        await pairing.open_code(CONTROL)
    assert (tmp_path / FILE_NAME).read_text() == text


async def test_a_phone_is_paired_once_and_its_token_is_written_nowhere(tmp_path: Path) -> None:
    pairing = Pairing(tmp_path, HandClock())
    code = await pairing.open_code(CONTROL)
    paired = await pairing.pair(spaced(code.text).lower(), "bench phone")
    assert (paired.name, paired.role) == ("bench phone", CONTROL)
    assert pairing.admitted("bench phone", paired.token) is not None
    assert Pairing(tmp_path).admitted("bench phone", paired.token) is not None
    assert paired.token not in (tmp_path / FILE_NAME).read_text()
    assert paired.token not in repr(paired)
    saved = json.loads((tmp_path / FILE_NAME).read_text())["phones"][0]
    assert saved["paired_at"] == "2026-01-01T00:00:00.000Z"
    with pytest.raises(PairingError, match="has ended"):
        await pairing.pair(code.text, "another")


async def test_an_old_and_a_replaced_code_pair_nobody(tmp_path: Path) -> None:
    clock = HandClock()
    pairing = Pairing(tmp_path, clock)
    first = await pairing.open_code(CONTROL)
    second = await pairing.open_code(WATCH)
    with pytest.raises(PairingError):
        await pairing.pair(first.text, "a")
    clock.advance(CODE_LIVES_S)
    assert pairing.seconds_left() == 0.0
    with pytest.raises(PairingError):
        await pairing.pair(second.text, "a")
    assert pairing.book == Book()


async def test_guessing_from_many_places_at_once_ends_the_code(tmp_path: Path) -> None:
    pairing = Pairing(tmp_path, HandClock())
    code = await pairing.open_code(CONTROL)
    guesses = [pairing.pair(f"{n:08d}", f"thief {n}") for n in range(40)]
    found = await asyncio.gather(*guesses, return_exceptions=True)
    assert all(isinstance(one, PairingError) for one in found)
    with pytest.raises(PairingError):
        await pairing.pair(code.text, "too late")
    became = await pairing.became_of(code.text, 1.0)
    assert became is not None and became.state is CodeState.GUESSED


async def test_a_name_that_is_taken_does_not_use_the_code_up(tmp_path: Path) -> None:
    pairing = Pairing(tmp_path, HandClock())
    await pairing.pair((await pairing.open_code(WATCH)).text, "phone")
    code = await pairing.open_code(WATCH)
    with pytest.raises(PairingError, match="already"):
        await pairing.pair(code.text, "Phone")
    assert (await pairing.pair(code.text, "phone 2")).name == "phone 2"


async def test_a_wrong_code_tells_nothing_of_the_names(tmp_path: Path) -> None:
    pairing = Pairing(tmp_path, HandClock())
    await pairing.pair((await pairing.open_code(WATCH)).text, "phone")
    await pairing.open_code(WATCH)
    for name in ("phone", "other"):
        with pytest.raises(PairingError, match="not right"):
            await pairing.pair("WRONG", name)


async def test_who_waits_hears_what_became_of_a_code(tmp_path: Path) -> None:
    pairing = Pairing(tmp_path, HandClock())
    code = await pairing.open_code(WATCH)
    assert (await pairing.became_of(code.text, 0.0)) == code
    waiting = asyncio.create_task(pairing.became_of(code.text, 10.0))
    await asyncio.sleep(0)
    await pairing.pair(code.text, "phone")
    became = await waiting
    assert became is not None
    assert (became.state, became.paired) == (CodeState.USED, "phone")
    waiting = asyncio.create_task(pairing.became_of((await pairing.open_code(WATCH)).text, 10.0))
    await asyncio.sleep(0)
    await pairing.open_code(WATCH)
    replaced = await waiting
    assert replaced is not None and replaced.state is CodeState.REPLACED


async def test_a_forgotten_phone_is_told_of_and_gone_after_a_restart(tmp_path: Path) -> None:
    pairing = Pairing(tmp_path, HandClock())
    told: list[str] = []
    pairing.on_forget = told.append
    paired = await pairing.pair((await pairing.open_code(WATCH)).text, "phone")
    assert await pairing.forget("PHONE")
    assert told == ["phone"]
    assert not await pairing.forget("phone")
    for one in (pairing, Pairing(tmp_path)):
        assert one.admitted("phone", paired.token) is None


async def test_what_cannot_be_written_is_said_and_pairs_nobody(tmp_path: Path) -> None:
    pairing = Pairing(tmp_path, HandClock())
    code = await pairing.open_code(WATCH)
    (tmp_path / FILE_NAME).mkdir()
    with pytest.raises(PairingError, match="cannot be written"):
        await pairing.pair(code.text, "phone")
    assert pairing.book == Book()
    (tmp_path / FILE_NAME).rmdir()
    assert (await pairing.pair(code.text, "phone")).name == "phone"


async def test_a_fresh_code_is_not_ended_by_a_phone_that_is_being_paired(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A slow memory card: the next code is asked for while the phone is written down."""
    pairing = Pairing(tmp_path)
    first = await pairing.open_code(PhoneRole.WATCH)
    may_write = threading.Event()
    write = pairing_store.save_book

    def slow(folder: Path, book: Book) -> None:
        assert may_write.wait(5)
        write(folder, book)

    monkeypatch.setattr(pairing_store, "save_book", slow)
    pairing_it = asyncio.create_task(pairing.pair(first.text, "first"))
    await asyncio.sleep(0)
    asked = asyncio.create_task(pairing.open_code(PhoneRole.CONTROL))
    await asyncio.sleep(0)
    may_write.set()
    await pairing_it
    fresh = await asked
    assert (await pairing.pair(fresh.text, "second")).role is PhoneRole.CONTROL
