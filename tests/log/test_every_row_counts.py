"""Whatever is done to a log, rows in are rows used and rows set aside, each with its reason."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast.errors import DataError
from forecast.invented import simulate_log
from forecast.log.columns import KEYS, TABLES, column_names
from forecast.log.outcome_log import OutcomeLog

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
        withheld = log.report.withheld[name]
        assert set(listed["row"]) == set(withheld.index)
        assert len(withheld) == count.set_aside
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
