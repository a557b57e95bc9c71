"""The model card."""

from dataclasses import replace

from forecast.forecaster.card import card_text, model_card


def test_the_model_card_says_who_what_how_good_and_what_not(forecaster):
    card = model_card(forecaster)
    assert card["participants"]["courses"] == 300
    assert all(effect["source"] for effect in card["prior_evidence"])
    text = card_text(forecaster)
    for part in ("**Use.**", "**Outcome.**", "**Assessment.**", "**Limits.**", "verdict"):
        assert part in text
    assert "| life table |" in text


def test_the_card_lists_prior_evidence_only_for_a_model_that_leans_on_it(forecaster):
    assert model_card(forecaster)["prior_source"] == "published evidence"
    alone = model_card(replace(forecaster, evidence=None))
    assert (alone["prior_source"], alone["prior_evidence"]) == (None, [])
