"""An enquiry is held to the rules of the log's own columns, and keeps those of the clinic's own."""

import dataclasses
import pickle
import subprocess
import sys
from copy import deepcopy

import numpy as np
import pandas as pd
import pytest

from forecast.errors import DataError, RequestError
from forecast.log import OutcomeLog, read_log, write_log
from forecast.log.enquiry import Enquiry, Extra, check_enquiry, enquiries_of, extra_value

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
    [
        ("Black; grean", "Perhaps green is meant."),
        ("blak", "Perhaps black is meant."),
        ("blau", "Perhaps dark_blue or light_blue is meant."),
        ("Bleu", "Perhaps dark_blue or light_blue is meant."),
        ("shwarz", "Perhaps black is meant."),
    ],
)
def test_the_ink_nearest_to_the_unknown_one_is_named(inks, hint):
    with pytest.raises(RequestError) as refused:
        Enquiry("II", "forearm", inks, "light", "single")
    assert hint in str(refused.value)


@pytest.mark.parametrize("ink", ["gold", "blas", "grell"])
def test_a_known_ink_is_not_offered_in_place_of_an_unknown_one(ink):
    with pytest.raises(RequestError) as refused:
        Enquiry("II", "forearm", f"black;{ink}", "light", "single")
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


def test_texts_of_a_frame_settle_each_others_marks():
    asked = pd.DataFrame([{**PLAIN, "area_cm2": "1.200"}, {**PLAIN, "area_cm2": "12,5"}])
    assert [one.area_cm2 for one in enquiries_of(asked)] == [1200, 12.5]


FOREARM = ("II", "forearm", "black", "medium", "single")


@pytest.mark.parametrize(
    ("cells", "kept"),
    [
        (["1,5", "2", "", "-"] * 15, [1.5, 2.0, np.nan, np.nan]),
        (["Kin ", "kin", "n/a", "Word of  mouth"] * 15, ["kin", "kin", None, "word of mouth"]),
        ([True, False, None, True] * 15, ["yes", "no", None, "yes"]),
        ([f"note {k}" for k in range(60)], None),
        (pd.date_range("2020-01-01", periods=60), None),
    ],
    ids=["numbers", "levels", "yes and no", "free text", "dates"],
)  # fmt: skip
def test_numbers_and_few_levels_are_kept_under_the_logs_spelling(invented_log, cells, kept):
    courses = invented_log.courses.head(60).assign(**{"How (found)": cells})
    log = OutcomeLog.from_frames(courses)
    assert log.report.extra_columns == {"courses": ("How (found)",)}
    assert ("how_found" in log.courses) == (kept is not None)
    if kept is not None:
        pd.testing.assert_series_equal(
            log.courses["how_found"].head(4), pd.Series(kept), check_names=False
        )


def test_a_log_written_and_read_again_has_them_still(own_log, tmp_path):
    write_log(own_log, tmp_path)
    again = read_log(tmp_path)
    pd.testing.assert_frame_equal(again.courses, own_log.courses)
    some = own_log.where(own_log.courses["sun_exposure"] == "often")
    assert set(some.courses["sun_exposure"]) == {"often"}


def test_a_column_of_peoples_names_is_refused(invented_log):
    names = ["Anna Schmidt", "Ben Jones", "Clara Weber", "David Brown"] * 15
    with pytest.raises(DataError, match=r"courses\.treated_by \(names of people\)"):
        OutcomeLog.from_frames(invented_log.courses.head(60).assign(treated_by=names))


def test_an_enquiry_keeps_them_as_an_immutable_mapping():
    given = {"Sun exposure": " Often", "visits": "3", "referral": None}
    enquiry = Enquiry(*FOREARM, extra=given)
    assert enquiry.extra == {"sun_exposure": "often", "visits": "3"}
    assert hash(enquiry) == hash(Enquiry(*FOREARM, extra=given))
    assert enquiry != Enquiry(*FOREARM)
    assert pickle.loads(pickle.dumps(enquiry)) == deepcopy(enquiry) == enquiry
    with pytest.raises(TypeError):
        enquiry.extra["visits"] = 4  # type: ignore[index]
    assert Enquiry(*FOREARM).extra == Extra() == {}
    with pytest.raises(RequestError, match="extra is 'often'"):
        Enquiry(*FOREARM, extra="often")  # type: ignore[arg-type]


def test_what_is_said_of_an_own_column_is_a_number_or_a_level():
    given = [extra_value(value) for value in (True, "Word of  mouth", 2, "n/a")]
    assert given == ["yes", "word of mouth", 2.0, None]
