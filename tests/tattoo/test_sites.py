"""The table of body sites, and the groups in which promises are checked."""

import pytest

from forecast.log import Enquiry, column
from forecast.tattoo.sites import REGIONS, SITES, groups_of


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
    assert list(groups["site"]) == ["distal limb", "head neck", "proximal limb"]
    assert "site" not in groups_of(asked)
