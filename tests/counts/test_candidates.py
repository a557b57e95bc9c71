"""Whichever candidate is chosen, the draws of the forecaster carry the risk of its model."""

import numpy as np
import pytest

import forecast
from forecast.counts.prior import evidence_model, for_use
from forecast.invented import simulate_log
from forecast.survival import BoostedHazard

USUAL = forecast.Enquiry(
    skin_type="II", body_site="forearm", inks="black", ink_density="medium", layering="single"
)


@pytest.fixture(scope="module")
def with_trees():
    """A forecaster for which trees were the only candidate."""
    with pytest.MonkeyPatch.context() as patch:
        trees = (BoostedHazard(refits=0, trees=20),)
        patch.setattr("forecast.forecaster.fit.candidates", lambda *_, **__: trees)
        return forecast.fit_forecaster(simulate_log(160, seed=6), seed=0)


def test_trees_that_are_chosen_carry_their_model_risk(with_trees):
    estimate = with_trees.estimate(USUAL)
    assert with_trees.assessment["model"] == "boosted hazard"
    by_ten = estimate.draws[:, :10].sum(axis=1)
    assert len(np.unique(by_ten.round(9))) >= 40
    # the log has some 80 events: a chance is not known to two points from those like this one
    assert by_ten.std() > 0.02


def test_the_risk_of_trees_reaches_the_year_of_packages(with_trees):
    tariff = forecast.Tariff(currency="EUR", session_price=150, cap=15, cost_per_session=60)
    package = forecast.Package("fixed", price=1500)
    book = forecast.price_caseload(with_trees, [USUAL] * 40, package, tariff, replicates=200)
    # one unknown level shared by forty: not a tenth of what chance alone does to their sum
    assert float(book.model_sd) > 0.1 * float(book.chance_sd)


def test_other_models_are_fitted_for_use_as_they_were_chosen():
    assert for_use(evidence_model()) == evidence_model()
