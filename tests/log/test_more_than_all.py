"""A grading a little above 100 percent counts as 100, one far above as none."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_array_equal

from forecast import Package, Tariff, compare_regimes, fit_fading, fit_forecaster
from forecast.counts import course_rows
from forecast.fading import fading_rows, split_fading
from forecast.invented import simulate_log, simulate_split_trial
from forecast.log.columns import TABLES
from forecast.log.data_package import write_log
from forecast.log.outcome_log import OutcomeLog, read_log
from forecast.midcourse import mean_gradings
from forecast.prices import value_open_book
from forecast.regimes import analyse_split, trial_rows

from .test_cross_table import GRADINGS, assert_only_set_aside, changed, log_of, places
from .workbooks import as_workbook, assert_same

PACKAGES = (
    Package("per_session", name="pay_per_session"),
    Package("block", name="block_6", sessions=6, price=780, extra_price=140),
    Package("fixed", name="fixed_price"),
)
TARIFF = Tariff(currency="EUR", session_price=150, cap=15, cost_per_session=60, packages=PACKAGES)


def graded(log, percents):
    """Return the log read anew with every 40th grading after a session written anew.

    None leaves the grading out.
    """
    gradings = log.gradings.copy()
    places = gradings.index[gradings["after_session"] > 0][::40]
    anew = np.resize(np.array(percents, dtype=object), len(places))
    gradings.loc[places, "fading_pct"] = anew.astype(np.float64)
    gradings = gradings.dropna(subset="fading_pct")
    return OutcomeLog.from_frames(
        **{name: getattr(log, name) for name in TABLES} | {"gradings": gradings}
    )


@pytest.fixture(scope="module")
def tidy():
    return simulate_log(180, seed=11)


@pytest.fixture(scope="module")
def slips(tidy):
    return graded(tidy, [104.0, 250.0])


@pytest.fixture(scope="module")
def hundreds(tidy):
    return graded(tidy, [100.0, None])


@pytest.fixture(scope="module")
def halves():
    trial = simulate_split_trial(40, seed=2)
    return graded(trial, [104.0, 250.0]), graded(trial, [100.0, None])


def test_rows_above_all_are_used_and_listed(slips, hundreds):
    above = slips.gradings["fading_pct"] > 100
    listed = slips.report.flagged.query("rule == 'a number from 0 to 100 (%)'")
    assert list(listed["row"]) == list(np.flatnonzero(above) + 2)
    assert set(listed["value"]) == {"104", "250"}
    assert slips.report.set_aside.empty
    pd.testing.assert_frame_equal(slips.graded, hundreds.gradings)
    assert hundreds.graded is hundreds.gradings


def test_no_grading_makes_or_takes_away_an_event(tidy, slips):
    pd.testing.assert_frame_equal(slips.courses, tidy.courses)
    pd.testing.assert_frame_equal(course_rows(slips), course_rows(tidy))
    one, other = (trial_rows(log, horizon=15) for log in (slips, tidy))
    for name in ("subject", "step", "event"):
        assert_array_equal(getattr(one.panel, name), getattr(other.panel, name))


def test_the_rows_of_fading_and_of_models_take_it_for_100(slips, hundreds):
    one, other = (fading_rows(log) for log in (slips, hundreds))
    assert_array_equal(one.seen, other.seen)
    assert_array_equal(one.history, other.history)
    pd.testing.assert_frame_equal(mean_gradings(slips), mean_gradings(hundreds))


@pytest.mark.slow
def test_fading_curves_take_it_for_100(slips, hundreds):
    assert fit_fading(slips).to_dict() == fit_fading(hundreds).to_dict()


def test_the_unit_of_gradings_is_not_changed_by_it(tidy):
    tens = tidy.gradings.assign(fading_pct=(tidy.gradings["fading_pct"] / 10).round() * 10)
    tens.loc[5, "fading_pct"] = 105
    log = OutcomeLog.from_frames(tidy.courses, tidy.sessions, tens)
    assert fading_rows(log).unit == 10


def test_regimes_are_compared_as_with_100(slips, hundreds):
    one, other = (trial_rows(log, horizon=15) for log in (slips, hundreds))
    for name in ("before", "after"):
        assert_array_equal(getattr(one.panel, name), getattr(other.panel, name))
    assert_array_equal(one.ink_left, other.ink_left)
    settings = {"horizon": 10, "replicates": 20, "seed": 0}
    compared = [compare_regimes(log, **settings).to_dict() for log in (slips, hundreds)]
    assert compared[0] == compared[1]


def test_halves_are_compared_as_with_100(halves):
    settings = {"horizon": 10, "level": 0.95, "replicates": 20, "seed": 0}
    slips, hundreds = (analyse_split(log, **settings) for log in halves)
    assert slips.fading == hundreds.fading
    slips, hundreds = (split_fading(log, level=0.95) for log in halves)
    assert slips.to_dict() == hundreds.to_dict()


@pytest.mark.slow
def test_a_model_and_its_open_book_are_those_of_100(slips, hundreds, tmp_path):
    one, other = (fit_forecaster(log, seed=1) for log in (slips, hundreds))
    one.save(tmp_path / "one.json")
    other.save(tmp_path / "other.json")
    assert (tmp_path / "one.json").read_bytes() == (tmp_path / "other.json").read_bytes()
    books = [
        value_open_book(one, log, TARIFF, replicates=50, workers=1) for log in (slips, hundreds)
    ]
    assert one.midcourse is not None
    assert len(books[0].courses) > 20
    assert books[0].left_out == books[1].left_out
    assert books[0].to_text() == books[1].to_text()


@pytest.mark.parametrize("kind", ["csv", "numbers", "texts", "workbook"])
def test_it_is_read_alike_from_every_kind_of_file(slips, tmp_path, kind):
    path = tmp_path / "log"
    path.mkdir()
    if kind == "csv":
        write_log(slips, path)
    elif kind == "workbook":
        path = as_workbook(slips, path / "log.xlsx")
    else:
        for name in TABLES:
            frame = getattr(slips, name)
            if kind == "texts" and name == "gradings":
                frame = frame.assign(fading_pct=frame["fading_pct"].map("{:g}".format))
            frame.to_parquet(path / f"{name}.parquet", index=False)
    log = read_log(path)
    assert_same(log, slips)
    pd.testing.assert_frame_equal(log.report.flagged, slips.report.flagged)
    assert log.report.set_aside.empty


@pytest.mark.parametrize("percent", [-1.0, float("inf"), float("nan")])
def test_below_nothing_and_no_number_set_the_row_aside(slips, percent):
    gradings = slips.gradings.copy()
    gradings.loc[3, "fading_pct"] = percent
    log = OutcomeLog.from_frames(slips.courses, gradings=gradings)
    assert list(log.report.set_aside["row"]) == [5]
    assert len(log.gradings) == len(gradings) - 1


@pytest.mark.parametrize(
    ("percent", "then", "counts"),
    [(100.5, "counts as 100", [100]), (110, "counts as 100", [100]), (250, "is not used", [])],
)
def test_a_grading_above_all_is_flagged_and_kept_as_written(percent, then, counts):
    log = log_of(gradings=changed(GRADINGS, 1, fading_pct=percent)[:2])
    # the last grading of a stopped course says that it is clear: that too, as 100 would be
    outcome = [("courses", 2, "outcome")] * len(counts)
    assert places(log.report.flagged) == [*outcome, ("gradings", 3, "fading_pct")]
    own = log.report.flagged.iloc[-1]
    assert own["value"] == f"{percent:g}"
    assert own["rule"] == "a number from 0 to 100 (%)"
    assert own["remedy"] == f"Correct it; until then it {then}."
    assert log.courses["outcome"].item() == "stopped"
    assert log.report.set_aside.empty
    assert list(log.gradings["fading_pct"]) == [0, percent]
    assert list(log.graded["fading_pct"]) == [0, *counts]


@pytest.mark.parametrize(
    ("slip", "last", "falls"),
    [(105, 40, True), (105, 100, False), (105, 104, False), (250, 40, False), (250, 104, False)],
)
def test_a_grading_falls_from_one_above_all_as_it_counts(slip, last, falls):
    gradings = changed(changed(GRADINGS, 1, fading_pct=slip), 2, fading_pct=last)
    listed = log_of(gradings=gradings).report.flagged.query("rule.str.startswith('no fall')")
    assert places(listed) == [("gradings", 4, "fading_pct")] * falls
    assert all("the 105 after an earlier session" in remedy for remedy in listed["remedy"])


def test_a_grading_above_all_that_is_set_aside_is_not_also_said_to_be_used():
    rows = [*GRADINGS, GRADINGS[2] | {"after_session": 9, "fading_pct": 250}]
    assert_only_set_aside(log_of(gradings=rows), ("gradings", 5, "after_session"), "sessions_given")
