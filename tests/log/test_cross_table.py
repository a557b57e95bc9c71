"""Rules between rows and tables: what belongs nowhere is set aside, what contradicts is kept."""

import pandas as pd
import pytest

from forecast.log.outcome_log import OutcomeLog

COURSE = {
    "course_id": "c1",
    "client_id": "p1",
    "started_on": "2024-01-10",
    "age_years": 30,
    "skin_type": "II",
    "body_site": "forearm",
    "inks": "black",
    "ink_density": "medium",
    "layering": "single",
    "area_cm2": 20,
    "sessions_given": 3,
    "outcome": "stopped",
}
DATES = ("2024-01-10", "2024-03-10", "2024-05-10")
SESSIONS = [
    {"course_id": "c1", "session_no": k + 1, "treated_on": DATES[k], "regime": "ns"}
    for k in range(3)
]
GRADINGS = [
    {"course_id": "c1", "after_session": k, "graded_on": DATES[k], "fading_pct": 20 * k}
    for k in range(3)
]
REACTION = {"course_id": "c1", "after_session": 2, "reaction": "blister"}
LASERS = [
    {"laser_id": "yag", "regime": "ns", "wavelengths_nm": "1064;532", "in_use_from": "2024-02-01"},
    {"laser_id": "pico", "regime": "ps", "wavelengths_nm": "755"},
]


def log_of(courses=(COURSE,), cleared_at=95.0, **tables):
    frames = {name: pd.DataFrame(list(rows)) for name, rows in tables.items()}
    return OutcomeLog.from_frames(pd.DataFrame(list(courses)), **frames, cleared_at=cleared_at)


def changed(rows, position, **changes):
    return [row | changes if i == position else row for i, row in enumerate(rows)]


def places(listed):
    return list(zip(listed["table"], listed["row"], listed["column"], strict=True))


def assert_only_flagged(log, place, rule):
    assert log.report.set_aside.empty
    assert places(log.report.flagged) == [place]
    assert rule in log.report.flagged["rule"].item()


def assert_only_set_aside(log, place, rule):
    assert log.report.flagged.empty, log.report.to_text()
    assert places(log.report.set_aside) == [place]
    assert rule in log.report.set_aside["rule"].item()
    count = log.report.rows[place[0]]
    assert count.rows_in == count.used + count.set_aside


def test_a_consistent_log_is_used_whole():
    log = log_of(sessions=SESSIONS, gradings=GRADINGS, reactions=[REACTION], lasers=LASERS)
    assert log.report.set_aside.empty
    assert log.report.flagged.empty


# set aside: no telling what the row belongs to


@pytest.mark.parametrize("table", ["sessions", "gradings", "reactions"])
def test_a_row_of_an_unknown_course_is_set_aside(table):
    rows = {"sessions": SESSIONS, "gradings": GRADINGS, "reactions": [REACTION]}[table]
    log = log_of(**{table: [*rows, rows[-1] | {"course_id": "c9"}]})
    assert_only_set_aside(log, (table, len(rows) + 2, "course_id"), "a course of table courses")


def test_rows_of_a_course_that_was_set_aside_wait_for_it():
    broken = COURSE | {"course_id": "c2", "skin_type": "IX"}
    log = log_of([COURSE, broken], reactions=[REACTION, REACTION | {"course_id": "c2"}])
    assert places(log.report.set_aside) == [
        ("courses", 3, "skin_type"),
        ("reactions", 3, "course_id"),
    ]
    assert "whose own row is used" in log.report.set_aside["rule"][1]


@pytest.mark.parametrize(
    ("table", "row"),
    [
        ("sessions", SESSIONS[2] | {"session_no": 4, "treated_on": "2024-07-10"}),
        ("gradings", GRADINGS[2] | {"after_session": 4, "graded_on": "2024-07-10"}),
        ("reactions", REACTION | {"after_session": 4}),
    ],
)
def test_what_follows_the_last_session_is_set_aside(table, row):
    rows = SESSIONS if table == "sessions" else []
    log = log_of(**{table: [*rows, row]})
    column = "session_no" if table == "sessions" else "after_session"
    assert_only_set_aside(log, (table, len(rows) + 2, column), "sessions_given")


@pytest.mark.parametrize("table", ["courses", "sessions", "gradings", "reactions", "lasers"])
def test_an_exact_copy_of_a_row_is_used_once(table):
    rows = {"sessions": SESSIONS, "gradings": GRADINGS, "reactions": [REACTION], "lasers": LASERS}
    tables = {table: [*rows[table], rows[table][0]]} if table in rows else {}
    log = log_of([COURSE, COURSE] if table == "courses" else [COURSE], **tables)
    own = log.report.set_aside.iloc[0]
    assert (own["table"], own["rule"]) == (table, "each row once")
    assert own["row"] == len(rows.get(table, [COURSE])) + 2
    assert "row 2 says the same" in own["remedy"]
    assert log.report.rows[table].set_aside == 1


@pytest.mark.parametrize("table", ["courses", "sessions", "lasers"])
def test_rows_that_share_an_id_and_differ_are_all_set_aside(table):
    tables = {
        "courses": ([COURSE, COURSE | {"age_years": 50}], {}),
        "sessions": ([COURSE], {"sessions": [*SESSIONS, SESSIONS[2] | {"regime": "ps"}]}),
        "lasers": ([COURSE], {"lasers": [*LASERS, LASERS[1] | {"wavelengths_nm": "785"}]}),
    }
    other = COURSE | {"course_id": "c2", "client_id": "p2"}
    courses, more = tables[table]
    report = log_of([*courses, other], **more).report
    assert report.rows[table].set_aside == 2
    first, second = report.set_aside.to_dict("records")
    assert f"row {second['row']} has the same" in first["remedy"]
    assert f"row {first['row']} has the same" in second["remedy"]


def test_gradings_of_one_day_by_two_graders_are_both_kept():
    two = [GRADINGS[1] | {"grader_id": "g1"}, GRADINGS[1] | {"grader_id": "g2", "fading_pct": 25}]
    log = log_of(gradings=two)
    assert len(log.gradings) == 2
    assert log.report.set_aside.empty
    assert log.report.flagged.empty


def test_a_course_copied_under_a_second_id_counts_once():
    log = log_of([COURSE, COURSE | {"course_id": "c2"}])
    assert_only_set_aside(log, ("courses", 3, "course_id"), "each tattoo once")


def test_what_may_be_the_same_tattoo_twice_is_flagged_and_kept():
    log = log_of([COURSE, COURSE | {"course_id": "c2", "area_cm2": 21}])
    assert len(log.courses) == 2
    assert places(log.report.flagged) == [("courses", 2, "course_id"), ("courses", 3, "course_id")]


@pytest.mark.parametrize(
    "differs",
    [
        {"client_id": "p2"},
        {"body_site": "back"},
        {"started_on": "2024-01-11"},
        {"inks": "black;red"},
        {"tattoo_id": "t2"},
    ],
)
def test_another_tattoo_is_no_copy(differs):
    log = log_of([COURSE, COURSE | {"course_id": "c2"} | differs])
    assert log.report.set_aside.empty
    assert log.report.flagged.empty


HALVES = [
    COURSE | {"tattoo_id": "t1", "half": "A"},
    COURSE | {"course_id": "c2", "tattoo_id": "t1", "half": "B"},
]


def test_the_two_halves_of_a_trial_are_no_copies():
    log = log_of(HALVES)
    assert log.report.set_aside.empty
    assert log.report.flagged.empty


@pytest.mark.parametrize(
    "halves",
    [
        HALVES[:1],
        changed(HALVES, 1, tattoo_id=None),
        changed(HALVES, 1, client_id="p2"),
        [*HALVES, COURSE | {"course_id": "c3", "tattoo_id": "t1", "half": "B", "area_cm2": 5}],
    ],
)
def test_halves_that_make_no_whole_are_flagged(halves):
    report = log_of(halves).report
    assert report.set_aside.empty
    assert set(report.flagged["column"]) >= {"half"}


# flagged and kept: it cannot be true, and the row is usable


def test_a_gap_in_the_session_numbers_is_flagged_at_the_row_after_it():
    log = log_of(sessions=[SESSIONS[0], SESSIONS[2]])
    assert places(log.report.flagged) == [
        ("courses", 2, "sessions_given"),
        ("sessions", 3, "session_no"),
    ]
    assert len(log.sessions) == 2


def test_a_count_of_sessions_that_the_sessions_table_does_not_have_is_flagged():
    log = log_of(sessions=SESSIONS[:2])
    assert_only_flagged(log, ("courses", 2, "sessions_given"), "as many sessions")


@pytest.mark.parametrize(
    ("position", "date", "rule"),
    [(1, "2024-01-09", "later day"), (2, "2024-03-10", "later day"), (0, "2024-01-01", "before")],
)
def test_sessions_out_of_order_are_flagged(position, date, rule):
    report = log_of(sessions=changed(SESSIONS, position, treated_on=date)).report
    assert report.set_aside.empty
    assert ("sessions", position + 2, "treated_on") in places(report.flagged)
    assert any(rule in text for text in report.flagged["rule"])


@pytest.mark.parametrize(
    ("position", "date", "rule"),
    [(2, "2024-03-09", "before the session"), (1, "2024-05-11", "after the next session")],
)
def test_gradings_out_of_order_are_flagged(position, date, rule):
    log = log_of(sessions=SESSIONS, gradings=changed(GRADINGS, position, graded_on=date))
    assert_only_flagged(log, ("gradings", position + 2, "graded_on"), rule)


def test_a_grading_before_the_course_is_flagged_where_no_session_is_recorded():
    log = log_of(gradings=changed(GRADINGS, 1, graded_on="2023-12-01"))
    assert_only_flagged(log, ("gradings", 3, "graded_on"), "before the session")


def test_a_grading_that_falls_is_flagged_with_the_one_before():
    log = log_of(gradings=changed(GRADINGS, 2, fading_pct=5))
    assert_only_flagged(log, ("gradings", 4, "fading_pct"), "no fall")
    assert "the 20 after an earlier session" in log.report.flagged["remedy"].item()
    assert list(log.gradings["fading_pct"]) == [0, 20, 5]


@pytest.mark.parametrize(
    ("outcome", "last", "flagged"),
    [
        ("cleared", 60, True),
        ("cleared", 95, False),
        ("stopped", 97, True),
        ("ongoing", 94, False),
        ("lightened", 96, True),
    ],
)
def test_an_outcome_that_the_last_grading_contradicts_is_flagged_and_never_changed(
    outcome, last, flagged
):
    log = log_of([COURSE | {"outcome": outcome}], gradings=changed(GRADINGS, 2, fading_pct=last))
    assert log.courses["outcome"].item() == outcome
    assert places(log.report.flagged) == [("courses", 2, "outcome")] * flagged


def test_the_threshold_of_the_log_decides_what_contradicts():
    gradings = changed(GRADINGS, 2, fading_pct=92)
    cleared = [COURSE | {"outcome": "cleared"}]
    assert len(log_of(cleared, gradings=gradings).report.flagged) == 1
    assert log_of(cleared, cleared_at=90, gradings=gradings).report.flagged.empty


@pytest.mark.parametrize(
    ("changes", "column"),
    [
        ({"laser_id": "ruby"}, "laser_id"),
        ({"laser_id": "pico", "wavelengths_nm": "755"}, "regime"),
        ({"laser_id": "yag"}, "treated_on"),
        ({"laser_id": "pico", "regime": "ps", "wavelengths_nm": "1064"}, "wavelengths_nm"),
    ],
)
def test_a_session_that_its_laser_could_not_give_is_flagged(changes, column):
    log = log_of(sessions=changed(SESSIONS, 0, **changes), lasers=LASERS)
    assert_only_flagged(log, ("sessions", 2, column), "laser")


@pytest.mark.parametrize(
    ("changes", "column"),
    [
        ({"outcome": "ongoing", "stop_reason": "cost"}, "stop_reason"),
        ({"tattoo_age_years": 40}, "tattoo_age_years"),
        ({"age_years": 150}, "age_years"),
        ({"area_cm2": 20_000}, "area_cm2"),
    ],
)
def test_a_course_that_contradicts_itself_is_flagged_and_kept(changes, column):
    log = log_of([COURSE | changes])
    assert len(log.courses) == 1
    assert places(log.report.flagged) == [("courses", 2, column)]


def test_a_tattoo_may_be_as_old_as_its_client():
    assert log_of([COURSE | {"tattoo_age_years": 30}]).report.flagged.empty


def test_an_absurd_number_is_read_as_not_recorded():
    assert pd.isna(log_of([COURSE | {"age_years": 150}]).courses["age_years"].item())


@pytest.mark.parametrize(
    ("table", "position", "changes"),
    [
        ("gradings", 1, {"fading_pct": -1}),
        ("gradings", 1, {"after_session": -1}),
        ("sessions", 1, {"session_no": 0}),
        ("sessions", 1, {"regime": "fs"}),
    ],
)
def test_a_number_beyond_its_limits_sets_the_row_aside(table, position, changes):
    rows = {"gradings": GRADINGS, "sessions": SESSIONS}[table]
    report = log_of(**{table: changed(rows, position, **changes)}).report
    assert places(report.set_aside) == [(table, position + 2, *changes)]


@pytest.mark.parametrize("changes", [{"wavelengths_nm": "10640"}, {"fluence_j_cm2": -3}], ids=str)
def test_an_optional_number_beyond_its_limits_is_read_as_not_recorded(changes):
    log = log_of(sessions=changed(SESSIONS, 1, **changes))
    (column,) = changes
    assert_only_flagged(log, ("sessions", 3, column), "from")
    assert log.sessions[column].isna().all()


def test_an_id_in_other_letters_is_read_as_the_one_course_it_can_be():
    rows = [row | {"course_id": " C1"} for row in SESSIONS]
    log = log_of(sessions=rows)
    assert set(log.sessions["course_id"]) == {"c1"}
    assert log.report.set_aside.empty
    habit = log.report.tolerated.iloc[0]
    assert (habit["column"], habit["count"], habit["read_as"]) == ("course_id", 3, "c1")


def test_an_id_in_other_letters_that_two_courses_could_be_is_set_aside():
    other = COURSE | {"course_id": "C1", "client_id": "p2"}
    log = log_of([COURSE, other], reactions=[REACTION | {"course_id": "c 1"}])
    assert places(log.report.set_aside) == [("reactions", 2, "course_id")]
