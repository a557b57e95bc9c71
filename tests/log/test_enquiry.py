"""An enquiry is held to the rules of the log's own columns."""

import dataclasses
import subprocess
import sys

import pandas as pd
import pytest

from forecast.errors import RequestError
from forecast.log.enquiry import Enquiry, check_enquiry, enquiries_of

PLAIN = {
    "skin_type": "II",
    "body_site": "forearm",
    "inks": "black",
    "ink_density": "medium",
    "layering": "single",
}


def test_fields_are_the_ones_that_scripts_rely_on():
    names = [field.name for field in dataclasses.fields(Enquiry)]
    assert names == [
        "skin_type", "body_site", "inks", "ink_density", "layering", "age_years", "origin",
        "area_cm2", "tattoo_age_years", "scarring", "smoker", "sessions_elsewhere",
        "extra",
    ]  # fmt: skip
    enquiry = Enquiry(**PLAIN)
    assert [getattr(enquiry, name) for name in names[5:]] == [None] * 6 + [0, {}]


@pytest.mark.parametrize(
    "inks", [{"red", "black"}, ["red", "black"], ("Black", "red"), "red, black"]
)
def test_inks_may_be_a_set_or_the_joined_text(inks):
    assert Enquiry(**PLAIN | {"inks": inks}).inks == "black;red"


def test_equal_enquiries_are_equal_however_they_were_spelled():
    spelled = Enquiry("2", "Forearm", ["Black"], "MEDIUM", "single", age_years="34,5", smoker=True)
    plain = Enquiry(**PLAIN, age_years=34.5, smoker="yes")
    assert spelled == plain
    assert hash(spelled) == hash(plain)


@pytest.mark.parametrize("empty", [None, float("nan"), "", "n/a"])
def test_an_optional_attribute_may_be_empty_and_a_required_one_not(empty):
    assert Enquiry(**PLAIN, age_years=empty).age_years is None
    with pytest.raises(RequestError, match="skin_type is not given"):
        Enquiry(**PLAIN | {"skin_type": empty})


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("skin_type", "VII"),
        ("body_site", "leg"),
        ("inks", set()),
        ("inks", "black;gold"),
        ("age_years", -1),
        ("age_years", 150),
        ("area_cm2", 0),
        ("sessions_elsewhere", -2),
        ("sessions_elsewhere", 1.5),
        ("smoker", "sometimes"),
        ("layering", 3),
    ],
)
def test_a_value_beyond_the_rules_is_refused_by_name(field, value):
    with pytest.raises(RequestError, match=field) as caught:
        Enquiry(**PLAIN | {field: value})
    assert caught.value.remedy.startswith("Give ")


@pytest.mark.parametrize(
    ("inks", "hint"),
    [("Black; grean", "Perhaps green is meant."), ("blak", "Perhaps black is meant.")],
)
def test_the_ink_nearest_to_the_unknown_one_is_named(inks, hint):
    with pytest.raises(RequestError) as refused:
        Enquiry("II", "forearm", inks, "light", "single")
    assert hint in str(refused.value)


def test_a_known_ink_is_not_offered_in_place_of_an_unknown_one():
    with pytest.raises(RequestError) as refused:
        Enquiry("II", "forearm", "black;gold", "light", "single")
    assert "Perhaps" not in str(refused.value)


def test_an_enquiry_does_not_need_pandas():
    code = (
        "import sys; from forecast.log import Enquiry; "
        "Enquiry('II', 'forearm', 'black', 'medium', 'single'); "
        "print(sorted({'pandas'} & set(sys.modules)))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_a_column_that_may_be_a_slip_is_an_error_and_any_other_is_named():
    row = {**PLAIN, "started_on": "2024-01-01"}  # a column of the log is none
    for name, meant in (("smokr", "smoker"), ("age", "age_years")):
        for asked in ({**row, name: "1"}, pd.DataFrame([{**row, name: "1"}])):
            with pytest.raises(RequestError, match=f"Did you mean {meant!r}"):
                check_enquiry(asked)
    with pytest.warns(UserWarning, match="not used: hair_colour"):
        assert check_enquiry({**row, "hair_colour": "red"}) == check_enquiry(row)
    several = pd.DataFrame([{**row, "hair_colour": "red"}] * 2)
    with pytest.warns(UserWarning, match="not used: hair_colour"):
        assert enquiries_of(several) == [check_enquiry(row)] * 2
