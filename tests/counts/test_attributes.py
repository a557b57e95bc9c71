"""How attributes become covariates: the bends among them."""

import numpy as np
import pytest

from forecast.counts.attributes import COVARIATES, CURVES, covariates

REFERENCE = {
    "skin_type": "III", "body_site": "chest", "inks": "black", "ink_density": "medium",
    "layering": "single", "origin": "professional", "age_years": 30, "area_cm2": 50,
    "tattoo_age_years": 4, "scarring": "none", "smoker": "no", "unreached": 0.0,
    "years_from_now": 0.0,
}  # fmt: skip


def of(**changes):
    found = covariates({name: [value] for name, value in {**REFERENCE, **changes}.items()})
    return {name: float(value[0]) for name, value in found.items()}


def test_every_covariate_is_zero_for_the_reference_tattoo_and_in_order():
    found = of()
    assert list(found) == list(COVARIATES)
    assert not any(found.values())


@pytest.mark.parametrize(
    ("changes", "curve", "value"),
    [
        ({"age_years": 50}, "age_curve", 1.0),
        ({"age_years": 95}, "age_curve", 4.0),  # and no more
        ({"area_cm2": 400}, "area_large", 2.0),
        ({"area_cm2": 70}, "area_large", 0.0),
        ({"tattoo_age_years": 40}, "tattoo_fresh", -np.exp(-2)),
        ({"skin_type": "V"}, "skin_darker", 2.0),
        ({"skin_type": "I"}, "skin_darker", 0.0),
        ({"ink_density": "light"}, "ink_heavy", 0.0),
        ({"ink_density": "heavy", "skin_type": "VI"}, "heavy_darker", 1.0),
        ({"scarring": "marked"}, "scarred", 1.0),
        ({"body_site": "ankle"}, "end_of_limb", 1.0),
        ({"body_site": "forearm"}, "end_of_limb", 0.0),
        ({"smoker": "yes", "body_site": "lower_leg"}, "smoker_distal", 1.0),
        ({"smoker": "yes", "body_site": "finger"}, "smoker_end", 1.0),
        ({"smoker": "yes", "body_site": "lower_leg"}, "smoker_end", 0.0),
    ],
)
def test_a_bend_begins_where_it_says(changes, curve, value):
    assert curve in CURVES
    assert of(**changes)[curve] == pytest.approx(value, abs=1e-6)


def test_what_is_not_recorded_is_not_known_but_where_it_cannot_matter():
    assert of(smoker=None)["smoker_end"] == 0
    assert np.isnan(of(smoker=None, body_site="hand")["smoker_end"])
    assert np.isnan(of(age_years=None)["age_curve"])
