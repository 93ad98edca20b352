"""Profiles as files: what ships is right, and what is wrong in one is said with its key."""

from __future__ import annotations

import re

import pytest

from drivers.scale_profile import (
    ProfileError,
    known_profiles,
    load_profile,
    parse_profile,
    shipped_files,
)

GOOD = """
name = "mine"
end = "<CR><LF>"
[[form]]
layout = "W{number:8}{unit:2}"
"""


def test_every_documented_shape_ships():
    assert {
        "flag-comma-signed",
        "flag-comma-zeropad",
        "echo-letter-right10",
        "sixteen-col-blank-unit",
        "number-unit-trailing-query",
        "number-unit-query-mode",
        "lf-srnmf-fixed",
        "stx-3status-implied",
        "stx-value-or-query-status",
        "lf-value-status-bits-etx",
        "ww-wn-zeropad",
        "stx-sign7-letter-etx",
        "flag-lamp-byte-22",
        "bin-le32-crc16",
        "block-soh-labelled",
        "bare-number-line",
    } <= {profile.name for profile in known_profiles()}


@pytest.mark.parametrize("file", shipped_files(), ids=lambda file: file.stem)
def test_a_shipped_profile_has_the_name_of_its_file_and_says_what_it_looks_like(file):
    profile = load_profile(file.stem)
    whole = parse_profile(file.read_text(encoding="utf-8"), file.name)
    assert profile.model_dump() == whole.model_dump()
    assert profile.name == file.stem
    assert len(profile.about) > 10


def test_a_request_never_tares_zeroes_or_prints_on_paper():
    for profile in known_profiles():
        if profile.request:
            assert profile.request.send.strip() not in (b"T", b"Z", b"TA", b"ZI")
            assert profile.request.every_s >= 0.25


def test_shapes_that_name_no_unit_are_known_as_such():
    silent = {profile.name for profile in known_profiles() if not profile.names_unit}
    assert silent == {
        "bare-number-line",
        "bare-number-line-cr",
        "dollar-six-digits",
        "stx-sign7-letter-etx",
        "stx-value-or-query-status",
    }


def test_a_profile_can_be_a_file(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(GOOD)
    assert load_profile(str(path)).render("36.52") == b"W   36.52 g\r\n"


def test_a_name_that_is_not_known_lists_those_that_are():
    with pytest.raises(ProfileError, match=r"'nothing'.*bare-number-line, .*ww-wn-zeropad"):
        load_profile("nothing")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("end =", "edn ="), "edn: Extra inputs are not permitted"),
        (('name = "mine"', 'name = "Mine!"'), "name: String should match pattern"),
        (("{unit:2}", "{unit}"), "no width for {unit}"),
        (("{unit:2}", "{what:2}"), "a field 'what' that is not described"),
        (("<CR><LF>", "<CR><LFF>"), "end: .*<LFF> is neither"),
        (('end = "<CR><LF>"', ""), "needs a start, an end or both"),
        (("[[form]]", "[[form]]\nsays = 'steady'"), "form.0.says: .*'steady' is not one of"),
        (("layout =", "width ="), "form.0"),
        (("[[form]]", "[[form"), "not a TOML file"),
    ],
)
def test_a_slip_in_a_profile_is_said_with_its_key(change, said):
    with pytest.raises(ProfileError, match=said):
        parse_profile(GOOD.replace(*change), "mine.toml")


@pytest.mark.parametrize(
    ("field", "said"),
    [
        ('kind = "number"\ndigits = "0012345678"', "ten different characters"),
        ('kind = "bits"\nfixed = "1"', "eight of 0, 1 and a point"),
        ('kind = "check"\nrules = ["crc99"]', "rules must be some of"),
        ('kind = "colour"', "tag"),
    ],
)
def test_a_slip_in_a_field_is_said(field, said):
    with pytest.raises(ProfileError, match=said):
        parse_profile(GOOD + f"[form.fields.number]\n{field}\n")


def test_no_shipped_profile_names_a_maker():
    """A shape is named by what it looks like: lower-case words of the trade, digits and hyphens."""
    for file in shipped_files():
        assert re.fullmatch(r"[a-z0-9-]+", file.stem)
        assert "http" not in file.read_text()
