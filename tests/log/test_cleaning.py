"""Whatever is done to a log, rows in are rows used and rows set aside, each with its reason."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

import forecast
from benchmarks.clinics import simulate_split_trial
from forecast import Package, Tariff, compare_regimes, fit_fading, fit_forecaster
from forecast.counts import LogSummary, course_rows
from forecast.errors import DataError
from forecast.fading import fading_rows, split_fading
from forecast.invented import simulate_log
from forecast.log.cleaning import is_total, read_headings, refuse_repeated, with_headings
from forecast.log.columns import KEYS, TABLES, column_names
from forecast.log.outcome_log import OutcomeLog, read_log, write_log
from forecast.midcourse import mean_gradings
from forecast.prices import value_open_book
from forecast.regimes import trial_rows
from tests.log.workbooks import as_workbook, assert_same

from .test_cross_table import GRADINGS, assert_only_set_aside, changed, log_of, places

# Whatever is done to a log, rows in are rows used and rows set aside, each with its reason.

VALID = simulate_log(12, seed=21)
JUNK = [
    "", " ", "n/a", "0", "-1", "1", "2.5", "7,5", "999", "1e9", "inf", "IV", "vi", "VII", "yes",
    "Y", "black, red", "gold", "2024-01-01", "31/12/2023", "12/31/2023", "03/04/2023", "45000",
    "C0001", "C0002", "c0003", "ns", "PS", "cleared", "=A1", "#N/A", "ok", "5 cm2", "100", "101",
]  # fmt: skip
EDITS = st.lists(
    st.tuples(
        st.sampled_from(["cell", "copy", "drop", "shuffle", "blank"]),
        st.sampled_from(list(TABLES)),
        st.integers(0, 10_000),
        st.integers(0, 10_000),
        st.sampled_from(JUNK),
    ),
    max_size=25,
)


def as_written(frame):
    """Return a clean table as text, as a file would hold it."""
    dated = frame.assign(
        **{
            name: frame[name].dt.strftime("%Y-%m-%d")
            for name in frame.columns
            if pd.api.types.is_datetime64_any_dtype(frame[name])
        }
    )
    return (
        dated.astype(object).where(dated.notna(), "").astype(str).replace(r"\.0$", "", regex=True)
    )


def scramble(edits):
    frames = {name: as_written(getattr(VALID, name)) for name in TABLES}
    for what, table, row, column, junk in edits:
        frame = frames[table]
        if frame.empty:
            continue
        row, column = row % len(frame), column % frame.shape[1]
        if what == "cell":
            frame.iloc[row, column] = junk
        elif what == "copy":
            frame = pd.concat([frame, frame.iloc[[row]]], ignore_index=True)
        elif what == "drop" and (table != "courses" or len(frame) > 1):
            frame = frame.drop(index=frame.index[row]).reset_index(drop=True)
        elif what == "shuffle":
            frame = frame.sample(frac=1, random_state=row).reset_index(drop=True)
        elif what == "blank":
            frame.iloc[row, :] = ""
        frames[table] = frame
    return frames


@given(EDITS)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_rows_in_are_rows_used_and_rows_set_aside_whatever_is_written(edits):
    frames = scramble(edits)
    before = {name: frame.copy() for name, frame in frames.items()}
    log = OutcomeLog.from_frames(**frames)
    for name, frame in frames.items():
        pd.testing.assert_frame_equal(frame, before[name])
        used, count = getattr(log, name), log.report.rows[name]
        assert count.rows_in == len(frame) == count.used + count.set_aside
        assert count.used == len(used)
        listed = log.report.set_aside.query("table == @name")
        assert listed["row"].nunique() == count.set_aside
        assert {*listed["row"]} <= {*range(2, len(frame) + 2)}
        assert {*log.report.to_correct[name].index} <= {*range(2, len(frame) + 2)}
        assert (listed["rule"].str.len() > 3).all()
        assert listed["remedy"].str.endswith(".").all()
    assert_canonical(log)
    assert_consistent(log)


def assert_canonical(log):
    """Hold a log to the types and limits that everything after it relies on."""
    for name, rules in TABLES.items():
        frame = getattr(log, name)
        assert tuple(frame.columns) == column_names(name)
        assert list(frame.index) == list(range(len(frame)))
        for rule in rules:
            cells = frame[rule.name]
            counted = rule.kind == "integer" and (rule.required or rule.default is not None)
            expected = {"date": "datetime64[ns]", "number": "float64", "integer": "float64"}
            assert cells.dtype == np.dtype("int64" if counted else expected.get(rule.kind, "O"))
            assert not (rule.required or rule.default is not None) or cells.notna().all()
            if rule.kind in ("integer", "number"):
                high = np.inf if rule.kept_above else rule.high
                assert cells.dropna().between(rule.low, high).all()
            elif rule.kind in ("level", "flag"):
                assert cells.dropna().isin(rule.levels).all()


def assert_consistent(log):
    """Hold a log to what its tables promise each other."""
    given = log.courses.set_index("course_id")["sessions_given"]
    for name in KEYS.keys() & TABLES.keys():
        assert not getattr(log, name).duplicated(list(KEYS[name])).any()
    for name, number in (
        ("sessions", "session_no"),
        ("gradings", "after_session"),
        ("reactions", "after_session"),
    ):
        frame = getattr(log, name)
        assert (frame[number] <= frame["course_id"].map(given)).all()


@given(st.randoms(use_true_random=False))
@settings(max_examples=15, deadline=None)
def test_the_order_of_rows_and_columns_does_not_matter(random):
    frames = {}
    for name in TABLES:
        frame = as_written(getattr(VALID, name))
        names = list(frame.columns)
        random.shuffle(names)
        frames[name] = frame.sample(frac=1, random_state=random.randrange(1000))[names]
    log = OutcomeLog.from_frames(**frames)
    for name in TABLES:
        keys = list(KEYS.get(name, column_names(name)))
        left, right = (
            frame.sort_values(keys).reset_index(drop=True)
            for frame in (getattr(log, name), getattr(VALID, name))
        )
        pd.testing.assert_frame_equal(left, right)


def test_cleaning_twice_changes_nothing():
    again = OutcomeLog.from_frames(**{name: getattr(VALID, name) for name in TABLES})
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(again, name), getattr(VALID, name))
    assert again.report.tolerated.empty


@pytest.mark.parametrize("kind", ["category", "string", "string[pyarrow]"])
def test_typed_text_columns_read_like_plain_ones(kind):
    text = ["skin_type", "body_site", "client_id", "course_id", "outcome", "smoker"]
    log = OutcomeLog.from_frames(VALID.courses.astype(dict.fromkeys(text, kind)))
    pd.testing.assert_frame_equal(log.courses, VALID.courses)


@pytest.mark.parametrize(
    ("column", "cells", "used"),
    [
        (
            "started_on",
            pd.Series(pd.Timestamp("2020-05-01 12:00", tz="Europe/Paris"), range(12)),
            12,
        ),
        ("started_on", pd.Series(pd.Timestamp("1970-01-01"), range(12)), 0),
        ("started_on", pd.Series(pd.Timestamp("2150-01-01"), range(12)), 0),
        ("started_on", pd.Series(range(45000, 45012)), 12),
        ("age_years", pd.Series([30, None] * 6, dtype="Int64"), 12),
        ("sessions_given", pd.Series([3, None] * 6, dtype="Int64"), 6),
        ("sessions_given", pd.Series([3, 4] * 6, dtype="int8"), 12),
        ("sessions_given", pd.Series([3, 4] * 6, dtype="uint64"), 12),
        ("sessions_given", pd.Series([3, -4] * 6), 6),
        ("area_cm2", pd.Series([np.inf, 3.5] * 6), 12),
        ("area_cm2", pd.Series(pd.Timedelta("3D"), range(12)), 12),
        ("smoker", pd.Series([True, None] * 6, dtype="boolean"), 12),
        ("skin_type", pd.Series(["I", None] * 6, dtype="string"), 6),
        ("skin_type", pd.Series([1, 2] * 6), 12),
        ("inks", pd.Series([{"red", "black"}] * 12), 12),
        ("client_id", pd.Series([7.0] * 12), 12),
    ],
)
def test_columns_of_any_type_are_read_by_their_meaning_or_set_aside(column, cells, used):
    log = OutcomeLog.from_frames(VALID.courses.assign(**{column: cells}))
    assert len(log.courses) == used
    assert_canonical(log)


@pytest.mark.parametrize("courses", [{"course_id": ["c1"]}, [1, 2], None])
def test_what_is_no_frame_is_refused(courses):
    with pytest.raises(DataError):
        OutcomeLog.from_frames(courses)


# A grading a little above 100 percent counts as 100, one far above as none.

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
    slips, hundreds = (compare_regimes(log, horizon=10, replicates=20).split for log in halves)
    assert slips.fading == hundreds.fading
    slips, hundreds = (split_fading(log, level=0.95) for log in halves)
    assert slips.to_dict() == hundreds.to_dict()


@pytest.mark.slow
def test_a_model_and_its_open_book_are_those_of_100(slips, hundreds, tmp_path):
    one, other = (fit_forecaster(log, seed=1) for log in (slips, hundreds))
    one.save(tmp_path / "one.json")
    other.save(tmp_path / "other.json")
    assert (tmp_path / "one.json").read_bytes() == (tmp_path / "other.json").read_bytes()
    books = [value_open_book(one, log, TARIFF, replicates=50) for log in (slips, hundreds)]
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


# A date that has not come is a slip of the pen: it must not set the log's "now".

COLUMNS = {"courses": "started_on", "sessions": "treated_on", "gradings": "graded_on"}


@pytest.fixture(scope="module")
def sixty() -> forecast.OutcomeLog:
    return forecast.simulate_log(60, seed=4)


def mistyped(log: OutcomeLog, table: str, day: object) -> OutcomeLog:
    """Return the log with the date of a table's sixth row mistyped."""
    frames = {name: getattr(log, name).copy() for name in TABLES}
    column = COLUMNS[table]
    dates = frames[table][column].dt.strftime("%Y-%m-%d").to_list()
    dates[5] = str(day)
    frames[table][column] = dates
    return OutcomeLog.from_frames(**frames)


@pytest.mark.parametrize("table", COLUMNS)
@pytest.mark.parametrize("day", ["2091-01-01", date.today() + timedelta(days=3)])
def test_a_row_dated_after_today_is_set_aside_with_a_remedy(sixty, table, day):
    report = mistyped(sixty, table, day).report
    listed = report.set_aside
    (own,) = (
        listed[listed["table"] == table].query("rule == 'a date that has come'").to_dict("records")
    )
    assert (own["row"], own["column"], own["value"]) == (7, COLUMNS[table], str(day))
    assert own["remedy"].startswith("Correct the year or the day")
    for counts in report.rows.values():
        assert counts.rows_in == counts.used + counts.set_aside


@pytest.mark.parametrize("day", [date.today(), "2022-02-02"])
def test_a_row_dated_today_or_before_is_used(sixty, day):
    report = mistyped(sixty, "courses", day).report
    assert "a date that has come" not in set(report.set_aside["rule"])


def test_what_belongs_to_a_course_that_starts_later_waits_for_it(sixty):
    log = mistyped(sixty, "courses", "2031-01-01")
    gone = sixty.courses["course_id"][5]
    for name in ("sessions", "gradings"):
        assert gone not in set(getattr(log, name)["course_id"])
        lost = (getattr(sixty, name)["course_id"] == gone).sum()
        assert log.report.rows[name].set_aside == lost


def test_a_mistyped_year_does_not_move_now(sixty):
    log = mistyped(sixty, "courses", "2031-01-01")
    rows = course_rows(log)
    assert LogSummary.of(log, rows).last_start == f"{sixty.courses['started_on'].max():%Y-%m-%d}"
    kept = course_rows(sixty).drop(index=5)["four_years_on"]
    assert rows["four_years_on"].tolist() == kept.tolist()


def test_a_mistyped_year_that_has_come_does_not_move_now_either(sixty):
    day = sixty.courses["started_on"].max() + timedelta(days=370)
    assert day.date() < date.today()
    log = mistyped(sixty, "courses", day.date())
    rows = course_rows(log)
    last = sixty.courses["started_on"].drop(5).max()
    assert LogSummary.of(log, rows).last_start == f"{last:%Y-%m-%d}"
    assert rows["four_years_on"].max() == pytest.approx(1 / 4)  # a year after the middle of two


@pytest.mark.parametrize("year", ["1917", "0217", "1979"])
def test_a_start_before_lasers_removed_tattoos_is_set_aside(sixty, year):
    report = mistyped(sixty, "courses", f"{year}-01-01").report
    own = report.set_aside[report.set_aside["table"] == "courses"]
    assert own["row"].tolist() == [7]
    assert "from 1980-01-01" in own["rule"].item()


def test_an_early_start_that_may_be_true_is_flagged_and_counts_as_the_earliest_practice(sixty):
    frames = {name: getattr(sixty, name) for name in TABLES}
    log = mistyped(sixty, "courses", "1985-05-05")
    flagged = log.report.flagged
    assert "a date within two years of the log's others" in set(flagged["rule"])
    # seven years ago is as far back as practice is told apart
    assert course_rows(log)["four_years_on"].min() == pytest.approx(-7 / 4)
    assert len(log.courses) == len(frames["courses"])


def test_an_invented_clinic_may_look_ahead():
    log = forecast.simulate_log(60, seed=1, years=30)
    assert log.courses["started_on"].max().date() > date.today()
    assert log.report.set_aside.empty


def test_dates_that_are_dates_already_are_held_to_the_same(sixty):
    frames = {name: getattr(sixty, name).copy() for name in TABLES}
    frames["courses"].loc[5, "started_on"] = pd.Timestamp("2031-01-01")
    log = OutcomeLog.from_frames(**frames)
    assert log.report.rows["courses"].set_aside == 1


def test_rows_of_totals_are_known_by_their_first_word():
    assert [is_total("Summe 2021"), is_total("Sommer")] == [True, False]


def test_an_example_that_looks_like_a_total_is_set_aside_once(sixty):
    courses = sixty.courses.astype(object)
    courses.loc[len(courses)] = dict.fromkeys(courses.columns)
    courses.loc[len(courses) - 1, ["course_id", "client_id"]] = ["EXAMPLE", "Summe"]
    assert len(OutcomeLog.from_frames(courses).courses) == len(courses) - 1


def test_headings_mean_columns_in_any_spelling_and_others_are_left_out():
    found = read_headings("lasers", ["Laser ID", "regime", "Wavelengths (nm)", "colour"])
    assert found == {
        "Laser ID": "laser_id",
        "regime": "regime",
        "Wavelengths (nm)": "wavelengths_nm",
    }
    with pytest.raises(DataError, match="has no column regime, wavelengths_nm"):
        read_headings("lasers", ["laser_id"])
    with pytest.raises(DataError, match="two columns for laser_id: B1 and C1"):
        refuse_repeated("Table lasers", ["x", "laser_id", "laser id"], ["A1", "B1", "C1"])


def test_a_title_above_the_headings_is_passed_over():
    heads = ["laser_id", "regime", "wavelengths_nm"]
    cells = [["Our lasers", None, None], heads, ["yag", "ns", "532;1064"]]
    rows = pd.DataFrame(cells, index=[1, 2, 3], dtype=object)
    below, number, places = with_headings("lasers", rows)
    assert (number, places) == (2, [0, 1, 2])
    assert below.to_dict("list") == dict(zip(heads, ([one] for one in cells[2]), strict=True))
    with pytest.raises(DataError, match="has no headings"):
        with_headings("lasers", rows.iloc[:1])
