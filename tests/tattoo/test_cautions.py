"""Every caution, walked: when it appears, what it rests on, and that it never gives settings."""

import re
from dataclasses import replace

import pytest

from forecast.errors import RequestError
from forecast.log import Enquiry, column
from forecast.tattoo.cautions import (
    CAUTIONS,
    FACTS,
    RAISED,
    cautions_for,
    check_facts,
    raised_by,
    waits,
)
from forecast.tattoo.inks import COMMON_PRACTICE, MARKS, table

PLAIN = Enquiry("II", "forearm", "black", "medium", "single", age_years=30, origin="professional")
ALWAYS = {"eyewear", "plume", "consent", "aftercare", "local_rules"}

# rule -> an enquiry and facts that call for it, beside the plain enquiry that does not
CASES = {
    **{fact: (PLAIN, (fact,)) for fact in FACTS},
    "darker_skin": (replace(PLAIN, skin_type="V"), ()),
    "cosmetic_darkening": (replace(PLAIN, inks="white"), ()),
    "yellow_ink": (replace(PLAIN, inks="yellow"), ()),
    "brown_ink": (replace(PLAIN, inks="brown"), ()),
    "red_ink": (replace(PLAIN, inks="black;red"), ()),
    "face_eyes": (replace(PLAIN, body_site="face"), ()),
    "traumatic": (replace(PLAIN, origin="traumatic"), ()),
}


def keys(enquiry, **options):
    return {caution.key for caution in cautions_for(enquiry, **options)}


def test_every_rule_is_walked():
    assert set(CASES) | ALWAYS | {"not_asked"} == {caution.key for caution in CAUTIONS}


@pytest.mark.parametrize("rule", CASES)
def test_a_rule_appears_when_it_applies_and_not_otherwise(rule):
    enquiry, facts = CASES[rule]
    both = {"red_ink"} if rule == "yellow_ink" else set()  # yellow inks cause allergies too
    assert keys(enquiry, facts=facts) == ALWAYS | both | {rule}


def test_a_plain_enquiry_gets_what_applies_to_every_course():
    assert keys(PLAIN) == ALWAYS


@pytest.mark.parametrize("caution", CAUTIONS, ids=lambda c: c.key)
def test_a_caution_names_sources_and_gives_no_settings(caution):
    assert caution.sources
    assert set(caution.sources) <= {COMMON_PRACTICE, *table("sources")}
    assert caution.mark in MARKS
    settings = re.compile(r"J/cm|\bfluence\b|\bmJ\b|\bHz\b|spot size|\d+ ?mm\b|\d+ ?nm\b", re.I)
    assert not settings.search(caution.text)


def test_local_regulation_and_its_standards_are_always_named():
    (text,) = [c.text for c in cautions_for(PLAIN) if c.key == "local_rules"]
    assert all(name in text for name in ("IEC 60825-1", "ANSI Z136.3", "licensed", "not medical"))


def test_eyewear_names_the_wavelengths_at_hand():
    (text,) = [
        c.text for c in cautions_for(PLAIN, wavelengths_nm=(1064, 532)) if c.key == "eyewear"
    ]
    assert "532, 1064 nm" in text


def test_age_alone_is_enough_for_the_rule_on_minors():
    assert "minor" in keys(replace(PLAIN, age_years=17))
    assert "minor" not in keys(replace(PLAIN, age_years=18))
    assert "minor" not in keys(replace(PLAIN, age_years=None))


def test_warm_ink_is_a_darkening_risk_in_a_cosmetic_tattoo_only():
    assert "cosmetic_darkening" in keys(replace(PLAIN, inks="red", origin="cosmetic"))
    assert "cosmetic_darkening" not in keys(replace(PLAIN, inks="red"))


def test_referrals_come_first():
    found = cautions_for(replace(PLAIN, skin_type="VI"), facts=("recent_tan", "gold_salts"))
    order = [c.kind for c in found]
    assert order == sorted(order, key=("refer", "care", "always").index)


@pytest.mark.parametrize(
    ("word", "hint"),
    [
        ("schwanger", " Did you mean 'pregnancy'?"),
        ("Pregnant", " Did you mean 'pregnancy'?"),
        ("Hautkrebs", " Did you mean 'skin_cancer'?"),
        ("Haut", ""),
    ],
)
def test_another_word_in_any_language_is_known_for_its_fact(word, hint, reword):
    reword("en", {"Pregnant or breast-feeding?": "Expecting or nursing?"})
    with pytest.raises(RequestError) as refused:
        check_facts([word])
    assert refused.value.remedy.partition(".")[2] == hint


def test_unknown_fact_is_refused_with_the_nearest_name():
    with pytest.raises(RequestError, match="Did you mean 'recent_tan'"):
        cautions_for(PLAIN, facts=("recent_tann",))


@pytest.mark.parametrize("skin_type", ["I", "II", "III", "IV", "V", "VI"])
def test_skin_type_iv_counts_as_darker_and_says_by_whose_word(skin_type):
    found = cautions_for(replace(PLAIN, skin_type=skin_type))
    told = [one.to_text() for one in found if one.key == "darker_skin"]
    assert bool(told) == (skin_type in ("IV", "V", "VI"))
    assert all(text.endswith("[LAPIDOTH04; common practice, no source]") for text in told)


def test_powder_is_referred_and_other_dirt_is_asked_about():
    dirt = replace(PLAIN, origin="traumatic")
    assert "powder" not in keys(dirt)
    assert "traumatic" not in keys(dirt, facts=("powder",))
    (powder,) = [one for one in cautions_for(dirt, facts=("powder",)) if one.key == "powder"]
    assert (powder.kind, powder.first) == ("refer", "doctor")
    assert "FUSADE00" in powder.sources


def test_near_an_eye_is_referred_and_the_rest_of_a_face_is_asked_about():
    face = replace(PLAIN, body_site="face")
    assert keys(face, facts=("near_eye",)) == ALWAYS | {"near_eye"}


def test_a_large_area_is_asked_about_numbing_without_a_fact():
    assert "local_anaesthetic" in keys(replace(PLAIN, area_cm2=101.0))
    assert "local_anaesthetic" not in keys(replace(PLAIN, area_cm2=100.0))


def test_isotretinoin_gives_no_leave_to_treat():
    (found,) = [one for one in cautions_for(PLAIN, facts=("isotretinoin",)) if one.kind == "care"]
    assert "does not name tattoo lasers" in found.text
    assert "no leave to treat" in found.text
    assert "SPRING17" in found.sources


def test_consent_and_after_care_name_what_usually_happens_and_when_to_call():
    told = {one.key: one.text for one in cautions_for(PLAIN)}
    for harm in ("pain", "blisters", "crusts", "infection", "allergic"):
        assert harm in told["consent"]
    for sign in ("redness", "pus", "fever", "trouble breathing"):
        assert sign in told["aftercare"]


def test_that_nobody_asked_is_said_and_only_then():
    assert keys(PLAIN, all_asked=False) == ALWAYS | {"not_asked"}
    assert keys(PLAIN, facts=("hair",), all_asked=True) == ALWAYS | {"hair"}


def test_a_reaction_raises_its_question_and_more_where_it_was_severe_or_lasts():
    assert set(RAISED) <= set(column("reactions", "reaction").levels)
    assert set(RAISED.values()) <= set(FACTS)
    mild = {"severity": "mild", "lasting": None}
    assert raised_by({"reaction": "blister", **mild}) == set()
    assert raised_by({"reaction": "allergy", **mild}) == {"ink_allergy"}
    for strong in ({"severity": "severe"}, {"lasting": "yes"}):
        raised = raised_by({"reaction": "blister", **mild, **strong})
        assert raised == {"severe_reaction"}
        assert waits(cautions_for(PLAIN, facts=raised))
    assert not waits(cautions_for(PLAIN, facts=raised_by({"reaction": "scar", **mild})))
