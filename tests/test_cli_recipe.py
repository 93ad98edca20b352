"""`recipe check`, `list`, `show`: what a person reads before pouring is right and complete."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import main
from recipes.loader import SAMPLES_DIR, list_recipes

SAMPLES = sorted(list_recipes([SAMPLES_DIR]))

PLAIN = """\
name = "Plain knob"
shot_g = 190.0
hold_back_g = 0.0
[[part]]
name = "A"
by_weight = 100
role = "isocyanate"
[[part]]
name = "B"
by_weight = 90
role = "polyol"
[times]
pot_life_s = 180
"""


@pytest.fixture(autouse=True)
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A configuration folder of its own, with the shop's recipes in it."""
    monkeypatch.setenv("CONFIGURATION_DIRECTORY", str(tmp_path))
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    folder = tmp_path / "recipes"
    folder.mkdir()
    return folder


def written(folder: Path, text: str, name: str = "plain") -> str:
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def rows(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, Any]]:
    main(["recipe", *words, "--json"])
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    (row,) = rows(capsys, "show", *words)
    return row


# -- check -------------------------------------------------------------------------------------


def test_a_good_recipe_is_ok(shop, capsys):
    path = written(shop, PLAIN)
    assert main(["recipe", "check", path]) == 0
    said = capsys.readouterr()
    assert (said.out, said.err) == (f"{path}: ok\n", "")


def test_every_problem_is_told_with_file_line_and_key(shop, capsys):
    bad = PLAIN.replace("by_weight = 90", 'by_weight = "ninety"').replace("pot_life_s", "potlife")
    path = written(shop, bad)
    assert main(["recipe", "check", path]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    lines = said.err.splitlines()
    assert [line.partition(": found")[0] for line in lines] == [
        f"{path}, line 10, part[2].by_weight",
        f"{path}, line 13, times.potlife",
    ]


def test_several_files_are_all_looked_at(shop, capsys):
    good, bad = written(shop, PLAIN), written(shop, PLAIN + "x = 1\n", "odd")
    assert main(["recipe", "check", bad, good, str(shop / "gone.toml")]) == 1
    said = capsys.readouterr()
    assert said.out == f"{good}: ok\n"
    assert f"{bad}, line 14, times.x: found a key that is not known" in said.err
    assert "gone.toml: found no such recipe" in said.err


def test_a_warning_is_shown_and_is_no_failure(shop, capsys):
    path = written(shop, PLAIN + "demold_s = 100\n")
    assert main(["recipe", "check", path]) == 0
    assert f"{path}: warning: demold_s is 100 s" in capsys.readouterr().out


def test_a_name_will_do_for_a_file(shop, capsys):
    path = written(shop, PLAIN)
    assert main(["recipe", "check", "plain", "slate-knob"]) == 0
    assert capsys.readouterr().out.startswith(f"{path}: ok\n")


@pytest.mark.parametrize("name", ["", "/", "x" * 5000, "no\0name", "../../etc/shadow", "/dev/null"])
def test_what_is_no_recipe_file_is_said_so(name, capsys):
    assert main(["recipe", "check", name]) == 1
    assert "expected" in capsys.readouterr().err


def test_a_file_is_checked_whatever_the_settings_are(shop, capsys):
    (shop.parent / "benchpour.toml").write_text("nonsense")
    assert main(["recipe", "check", written(shop, PLAIN)]) == 0
    assert main(["recipe", "list"]) == 1
    assert "benchpour.toml, line 1" in capsys.readouterr().err


def test_a_check_can_be_read_by_a_program(shop, capsys):
    bad = written(shop, PLAIN.replace("190.0", "-1"))
    (row,) = rows(capsys, "check", bad)
    assert (row["file"], row["ok"]) == (bad, False)
    (problem,) = row["problems"]
    assert (problem["line"], problem["key"], problem["found"]) == (2, "shot_g", "-1")


# -- list --------------------------------------------------------------------------------------


def test_the_samples_can_be_called_by_name(capsys):
    found = rows(capsys, "list")
    assert [row["name"] for row in found] == SAMPLES
    assert all(row["ok"] and row["sample"] for row in found)


def test_the_shops_own_recipe_goes_before_a_sample_of_its_name(shop, capsys):
    path = written(shop, PLAIN, "slate-knob")
    row = next(row for row in rows(capsys, "list") if row["name"] == "slate-knob")
    assert row == {
        "name": "slate-knob",
        "file": path,
        "sample": False,
        "ok": True,
        "title": "Plain knob",
        "shot_g": 190.0,
        "parts": [{"name": "A", "share_pct": 52.632}, {"name": "B", "share_pct": 47.368}],
    }


def test_a_recipe_that_cannot_be_used_is_listed_as_such(shop, capsys):
    path = written(shop, PLAIN.replace("190.0", "-1"))
    assert main(["recipe", "list"]) == 0
    assert f"cannot be used: benchpour recipe check {path}" in capsys.readouterr().out


def test_the_list_shows_ratios_by_weight(capsys):
    """The epoxy is given as 2:1 by volume; by weight 2 x 1.15 to 1 x 1.0 is 100 to 43.48."""
    main(["recipe", "list"])
    line = next(line for line in capsys.readouterr().out.splitlines() if "clear-knob" in line)
    assert "96 g, resin 100 : hardener 43.48 by weight  (sample)" in line


# -- show --------------------------------------------------------------------------------------


def test_targets_follow_from_shot_and_ratio(shop, capsys):
    """190 g in 100 to 90."""
    sheet = shown(capsys, written(shop, PLAIN))
    assert [(part["name"], part["target_g"]) for part in sheet["parts"]] == [("A", 100), ("B", 90)]
    assert sheet["total_g"] == 190


def test_a_ratio_by_volume_becomes_one_by_weight(shop, capsys):
    """PBW = PBV x density B / density A: 50 at 1.16 and 0.96 is 41.3793 to 100.

    Rule: Tex-614-J (a state's materials test method), section 2.
    """
    text = PLAIN.replace("by_weight = 100", "by_volume = 100\ndensity = 1.16")
    text = text.replace("by_weight = 90", "by_volume = 50\ndensity = 0.96")
    sheet = shown(capsys, written(shop, text.replace("190.0", "141.3793")))
    assert [part["target_g"] for part in sheet["parts"]] == pytest.approx([100, 41.3793], abs=1e-3)


def test_the_dye_in_the_jug_is_poured_on_top(shop, capsys):
    """90 g of B in a jug that is 2 % dye: 90 / 0.98 = 91.837 g, of which 1.837 g are dye."""
    dye = '[dye]\nin = "B"\nfraction = 0.02\n'
    sheet = shown(capsys, written(shop, PLAIN.replace("[times]", f"{dye}[times]")))
    assert sheet["parts"][1]["target_g"] == 91.837
    assert (sheet["dye_g"], sheet["total_g"]) == (1.837, 191.837)


def test_dye_in_the_cup_is_weighed_last(capsys):
    """1.2 % of 170 g; 170 g in 1 to 1 are 85 g and 85 g (common practice, no source)."""
    sheet = shown(capsys, "moss-knob")
    assert [(part["name"], part["target_g"]) for part in sheet["parts"]] == [
        ("A", 85),
        ("B", 85),
        ("dye", 2.04),
    ]


def test_given_stops_are_shares_of_the_target(capsys):
    """82 % and 96 % of 85 g."""
    part = shown(capsys, "moss-knob")["parts"][0]
    assert (part["stops"], part["coarse_g"], part["fine_g"]) == ("given", 69.7, 81.6)


def test_stops_that_are_not_given_are_predicted_and_said_to_be(capsys):
    part = shown(capsys, "slate-knob")["parts"][0]
    assert part["stops"] == "predicted"
    assert 0 < part["coarse_g"] < part["fine_g"] < part["target_g"]
    main(["recipe", "show", "slate-knob"])
    text = capsys.readouterr().out
    assert f"~ {part['coarse_g']:.1f} g" in text
    assert "predicted anew while pouring" in text


def test_a_part_too_small_for_two_stages_is_trickled(shop, capsys):
    path = written(shop, PLAIN.replace("190.0", "9.5"))
    assert [part["coarse_g"] for part in shown(capsys, path)["parts"]] == [None, None]
    main(["recipe", "show", path])
    assert "trickle" in capsys.readouterr().out


def test_the_landing_band_is_the_smaller_of_the_two_tolerances(shop, capsys):
    """0.3 g, and 2 % of the part: 0.1 g of a 5 g part."""
    assert shown(capsys, written(shop, PLAIN))["parts"][0]["tolerance_g"] == 0.3
    small = written(shop, PLAIN.replace("190.0", "9.5"))
    assert [part["tolerance_g"] for part in shown(capsys, small)["parts"]] == [0.1, 0.09]


def test_an_epoxy_shows_its_phr_beside_what_the_equivalent_weights_ask_for(shop, capsys):
    """AHEW 43 and EEW 209: 100 x 43 / 209 = 20.57 phr (epoxy stoichiometry sheet)."""
    text = PLAIN.replace("by_weight = 100", "by_weight = 100\neew = 209")
    text = text.replace("by_weight = 90", "by_weight = 20\nahew = 43")
    text = text.replace("isocyanate", "epoxy").replace("polyol", "hardener")
    path = written(shop, text)
    assert shown(capsys, path)["phr"] == {"mixed": 20.0, "asked_for": 20.57}
    main(["recipe", "show", path])
    assert "20 of hardener to 100 of resin; the equivalent weights ask for 20.57" in (
        capsys.readouterr().out
    )


def test_a_urethane_shows_its_index(shop, capsys):
    """105 g of 31.5 % NCO, 100 g of OH number 400: 105 x 31.5/4200 / (100 x 400/56100) = 1.104."""
    text = PLAIN.replace("by_weight = 100", "by_weight = 105\nnco_pct = 31.5")
    text = text.replace("by_weight = 90", "by_weight = 100\noh_number = 400")
    assert shown(capsys, written(shop, text))["index"] == 110.4


def test_ten_degrees_more_halve_the_times(shop, capsys):
    """The trade's usual rule: the rate doubles for 10 degrees; the sheet's are 23 and 100 g."""
    path = written(shop, PLAIN.replace("190.0", "90.0"))
    cold, warm = shown(capsys, path), shown(capsys, path, "--celsius", "33")
    assert (cold["pot_life_s"], cold["pour_by_s"]) == (180.0, 144.0)
    assert (warm["pot_life_s"], warm["pour_by_s"]) == pytest.approx((90.0, 72.0), abs=0.1)
    assert "33.0 °C by the usual doubling" in warm["pot_life_basis"]
    assert shown(capsys, path, "--celsius", "13")["pot_life_s"] == 180.0


def test_a_batch_of_another_size_can_be_shown(shop, capsys):
    sheet = shown(capsys, written(shop, PLAIN), "--batch-g", "95")
    assert [part["target_g"] for part in sheet["parts"]] == [50, 45]


def test_a_batch_that_does_not_fit_the_cup_is_refused(capsys):
    assert main(["recipe", "show", "slate-knob", "--batch-g", "500"]) == 2
    assert "do not fit the cup, which takes 220 g" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words", [("--batch-g", "nan"), ("--batch-g", "-1"), ("--celsius", "hot"), ("--celsius", "inf")]
)
def test_figures_that_cannot_be_are_refused(words, capsys):
    assert main(["recipe", "show", "slate-knob", *words]) == 2
    assert "from" in capsys.readouterr().err


def test_the_cautions_are_those_of_what_is_mixed(capsys):
    urethane = shown(capsys, "slate-knob")["cautions"]
    assert any("Isocyanate" in caution for caution in urethane)
    assert any("Opening order: witness cup hard" in caution for caution in urethane)
    epoxy = shown(capsys, "clear-knob")["cautions"]
    assert any("hardener" in caution for caution in epoxy)
    assert not any("socyanate" in caution or "Tank" in caution for caution in epoxy)
    assert shown(capsys, "knob-mold")["cautions"] == []


def test_times_are_said_as_a_person_would(capsys):
    main(["recipe", "show", "clear-knob"])
    clocks = capsys.readouterr().out
    assert "pot life        40 min   from when hardener goes in" in clocks
    assert "pour by         32 min" in clocks
    assert "stir             180 s" in clocks
    assert "demold            24 h" in clocks


def test_the_shops_own_words_and_oddities_are_shown(shop, capsys):
    path = written(shop, PLAIN + 'demold_s = 100\n[prompts]\nfill = "tip it"\n')
    main(["recipe", "show", path])
    text = capsys.readouterr().out
    assert "fill: tip it" in text
    assert "demold_s is 100 s, which is before the pot life" in text


@pytest.mark.parametrize("name", SAMPLES)
def test_every_sample_can_be_shown_and_says_the_same_both_ways(name, capsys):
    sheet = shown(capsys, name)
    assert main(["recipe", "show", name]) == 0
    text = capsys.readouterr().out
    assert text.startswith(sheet["name"])
    for part in sheet["parts"]:
        assert f"{part['target_g']:.2f} g" in text


def test_a_recipe_that_is_not_there_names_those_that_are(capsys):
    assert main(["recipe", "show", "slate-nob"]) == 1
    assert 'perhaps "slate-knob"' in capsys.readouterr().err
