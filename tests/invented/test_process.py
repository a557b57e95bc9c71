"""What mechanisms that add up to a dose have in common."""

import pytest

from .conftest import DOSES, LIGHT


@pytest.mark.parametrize("name", DOSES)
def test_light_colours_often_keep_a_remnant_and_black_hardly_ever(name, clinics):
    courses = clinics[name].log.courses.merge(clinics[name].truth, on="course_id")
    keeps = courses["remnant"] > 0
    assert 0.25 < keeps[courses["inks"].str.contains(LIGHT)].mean() < 0.7
    assert keeps[courses["inks"] == "black"].mean() < 0.03
    assert courses.loc[keeps, "needed_clear"].isna().all()
