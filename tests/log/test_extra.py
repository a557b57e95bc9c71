"""Columns of the clinic's own: kept where they are numbers or levels, and said of an enquiry."""

import pickle
from copy import deepcopy

import numpy as np
import pandas as pd
import pytest

from forecast.errors import DataError, RequestError
from forecast.log import Enquiry, Extra, OutcomeLog, read_log, write_log
from forecast.log.extra import extra_value

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
