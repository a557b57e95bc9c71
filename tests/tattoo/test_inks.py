"""The ink table against published orderings, and its answers to odd requests."""

from itertools import pairwise

import pytest

from forecast.errors import RequestError
from forecast.log import Enquiry, column
from forecast.tattoo import cautions_for
from forecast.tattoo.cautions import CAUTIONS
from forecast.tattoo.inks import (
    COMMON_PRACTICE,
    GRADES,
    INKS,
    REGIONS,
    SITES,
    WAVELENGTHS_NM,
    Laser,
    best_uptake,
    groups_of,
    read_inks,
    table,
    unreached_inks,
    uptake,
    uptake_table,
)

RANK = {grade: -place for place, grade in enumerate(GRADES)}


def test_the_table_is_complete_and_has_the_inks_of_the_log():
    assert column("courses", "inks").levels == INKS
    cells = uptake_table()
    assert len(cells) == len(INKS) * len(WAVELENGTHS_NM)
    assert {cell.grade for cell in cells} == set(GRADES)


@pytest.mark.parametrize("cell", uptake_table(), ids=lambda c: f"{c.ink}-{c.wavelength_nm}")
def test_every_cell_names_its_source_or_says_there_is_none(cell):
    assert cell.source == COMMON_PRACTICE or cell.source in table("sources")


# Bernstein et al. 2018 (Lasers Surg Med 50:704), 785 nm, four sessions: percent cleared.
AT_785 = {"purple": 85, "light_blue": 81, "green": 74, "black": 61, "red": 11, "yellow": 5}


def test_order_of_colours_at_785_nm_is_that_of_the_trial():
    order = sorted(AT_785, key=AT_785.get, reverse=True)
    ranks = [RANK[uptake(ink, 785).grade] for ink in order]
    assert ranks == sorted(ranks, reverse=True)
    assert uptake("black", 785).reached()
    assert not uptake("red", 785).reached()


# Zelickson et al. 1994 (Lasers Surg Med 15:364): the best of 532, 694, 755 and 1064 nm by
# colour. Their guinea-pigs' orange did best at 1064 nm, which later work does not support.
BEST = {"red": 532, "green": 755, "dark_blue": 755, "purple": 694, "brown": 1064}


@pytest.mark.parametrize(("ink", "wavelength"), BEST.items())
def test_best_wavelength_of_a_colour_has_its_best_grade(ink, wavelength):
    grades = {nm: RANK[uptake(ink, nm).grade] for nm in (532, 694, 755, 1064)}
    assert grades[wavelength] == max(grades.values())


def test_the_trade_s_rules_hold():
    assert all(uptake("black", nm).reached() for nm in WAVELENGTHS_NM)
    assert uptake("green", 1064).grade == "weak"  # Kilmer et al. 1993
    for ink in ("red", "orange"):
        assert unreached_inks(ink, [Laser("ps", (694, 755, 785, 1064))]) == (ink,)
    for ink in ("green", "light_blue"):
        assert unreached_inks(ink, [Laser("ns", (532, 1064))]) == (ink,)
        for nm in (694, 755, 785):
            assert unreached_inks(ink, [Laser("ns", (nm,))]) == ()
    assert {uptake("white", nm).grade for nm in WAVELENGTHS_NM} == {"darkening risk"}


def test_yellow_answers_only_to_short_pulses():
    # Alabdulrazzaq et al. 2015, picosecond 532 nm, from memory.
    assert unreached_inks("yellow", [Laser("ns", (532,))]) == ("yellow",)
    assert unreached_inks("yellow", [Laser("ps", (532,))]) == ()


def test_more_lasers_never_reach_less():
    fleet = [Laser("ns", (532, 1064)), Laser("ps", (755,)), Laser("ns", (694,))]
    left = [set(unreached_inks(INKS, fleet[:n])) for n in range(4)]
    assert left[0] == set(INKS)
    assert all(after <= before for before, after in pairwise(left))


def test_best_of_two_lasers_is_the_one_with_the_better_grade():
    cell, laser = best_uptake("green", [Laser("ns", (1064,), "yag"), Laser("ps", (755,), "alex")])
    assert (cell.grade, laser.laser_id) == ("strong", "alex")
    assert best_uptake("green", []) is None


def test_a_neighbouring_wavelength_is_read_as_the_one_in_the_table():
    assert uptake("red", 752).wavelength_nm == 755
    assert uptake("red", 900) is None
    assert unreached_inks("black", [Laser("ns", (900,))]) == ("black",)


def test_unknown_ink_is_refused_with_the_nearest_name():
    with pytest.raises(RequestError, match="Did you mean 'purple'"):
        read_inks({"black", "purpel"})


@pytest.mark.parametrize("wavelength", [10600, 7.55])
def test_wavelength_outside_the_rule_is_refused(wavelength):
    with pytest.raises(RequestError, match="400 to 1100 nm"):
        Laser("ps", (wavelength,))


def test_unknown_regime_is_refused():
    with pytest.raises(RequestError, match="Give ns or ps"):
        Laser("fs", (532,))


def test_a_log_with_an_unknown_ink_names_the_nearest_one():
    from forecast.invented import simulate_log
    from forecast.log import OutcomeLog

    courses = simulate_log(20, seed=1).courses
    courses.loc[0, "inks"] = "black;purpel"
    (listed,) = OutcomeLog.from_frames(courses).report.set_aside.to_dict("records")
    assert listed["value"] == "black;purpel"
    assert "Perhaps purple is meant." in listed["remedy"]


def test_the_regions_hold_every_site_once_in_the_order_of_the_log():
    assert sorted(site for sites in REGIONS.values() for site in sites) == sorted(SITES)
    assert column("courses", "body_site").levels == tuple(SITES)


# Kirby et al. 2009: five regions, ever further from the heart.
@pytest.mark.parametrize(
    ("site", "region"),
    [
        ("neck", "head_neck"),
        ("back", "upper_trunk"),
        ("abdomen", "lower_trunk"),
        ("thigh", "proximal_limb"),
        ("ankle", "distal_limb"),
    ],
)
def test_a_site_belongs_to_the_region_of_the_published_scale(site, region):
    assert SITES[site].region == region


def test_only_thigh_to_foot_are_of_the_leg():
    assert {name for name, site in SITES.items() if site.leg} == {
        "thigh", "lower_leg", "ankle", "foot",
    }  # fmt: skip


def test_groups_are_by_skin_inks_density_and_if_asked_by_region():
    asked = [
        Enquiry("II", "forearm", "black", "medium", "single"),
        Enquiry("V", "face", "black;red", "heavy", "single"),
        Enquiry("III", "upper_arm", "black;red;white", "light", "layered"),
    ]
    groups = groups_of(asked, sites=True)
    assert list(groups["skin"]) == ["I-II", "V-VI", "III-IV"]
    assert list(groups["inks"]) == ["black", "black and red", "other colours"]
    assert list(groups["site"]) == ["distal_limb", "head_neck", "proximal_limb"]
    assert "site" not in groups_of(asked)


def test_further_inks_are_reached_and_grouped_like_their_kin():
    green, red = Laser("ns", (755,)), Laser("ns", (532,))
    assert unreached_inks("grey;pink;turquoise", [green]) == ("pink",)
    assert unreached_inks("grey;pink;turquoise", [red]) == ("turquoise",)
    asked = [
        Enquiry("II", "forearm", ink, "medium", "single") for ink in ("grey", "pink", "turquoise")
    ]
    assert list(groups_of(asked)["inks"]) == ["black", "black and red", "other colours"]
    assert "cosmetic_darkening" in {caution.key for caution in cautions_for(asked[1])}


def test_what_was_recalled_and_not_read_says_so():
    (gold,) = [c for c in CAUTIONS if c.key == "gold_salts"]
    assert gold.mark == "memory"
    assert gold.to_text().endswith(" [published reviews, from memory]")


def test_what_no_publication_says_is_called_common_practice():
    (minor,) = [c for c in CAUTIONS if c.key == "minor"]
    assert minor.mark == "none"
    assert minor.to_text().endswith(" [common practice, no source]")
