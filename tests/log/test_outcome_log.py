"""The outcome log: what goes in comes out, or is listed with the reason."""

import json

import pandas as pd
import pytest

import forecast
from benchmarks.clinics import simulate_clinic
from forecast import fit_forecaster
from forecast.counts import course_rows, is_judged
from forecast.errors import RequestError
from forecast.fading import fit_fading
from forecast.invented import simulate_log
from forecast.log import read_log, write_log
from forecast.log.columns import TABLES, column_names
from forecast.log.outcome_log import OutcomeLog


def course(**changes):
    plain = {
        "course_id": "c1",
        "client_id": "p1",
        "started_on": "2024-03-01",
        "skin_type": "II",
        "body_site": "forearm",
        "inks": "black",
        "ink_density": "medium",
        "layering": "single",
        "sessions_given": 6,
        "outcome": "cleared",
    }
    return plain | changes


def log_of(*courses, **tables):
    frames = {name: pd.DataFrame(rows) for name, rows in tables.items()}
    return OutcomeLog.from_frames(pd.DataFrame(list(courses)), **frames)


def test_a_plain_course_is_used_and_nothing_is_listed():
    log = log_of(course())
    assert log.report.rows["courses"].used == 1
    assert log.report.set_aside.empty
    assert log.report.flagged.empty
    assert log.report.tolerated.empty


def test_absent_tables_are_empty_frames_with_their_columns():
    log = log_of(course())
    for name in TABLES:
        assert tuple(getattr(log, name).columns) == column_names(name)
    assert len(log.sessions) == 0


def test_empty_cells_are_not_recorded_and_defaults_are_filled():
    row = log_of(course(age_years=None, price_paid="")).courses.iloc[0]
    assert pd.isna(row["age_years"])
    assert pd.isna(row["price_paid"])
    assert row["goal"] == "clear"
    assert row["sessions_elsewhere"] == 0


@pytest.mark.parametrize(
    ("column", "written"),
    [
        ("skin_type", "VII"),
        ("sessions_given", 0),
        ("sessions_given", -3),
        ("sessions_given", "4.5"),
        ("sessions_given", None),
        ("inks", "black;gold"),
        ("started_on", "2024-02-30"),
        ("outcome", ""),
        ("sessions_elsewhere", "2-3"),
        ("goal", "both"),
    ],
)
def test_a_row_that_breaks_a_rule_is_set_aside_with_its_place(column, written):
    log = log_of(course(), course(course_id="c2", **{column: written}))
    count = log.report.rows["courses"]
    assert (count.rows_in, count.used, count.set_aside) == (2, 1, 1)
    listed = log.report.set_aside.iloc[0]
    assert (listed["table"], listed["row"], listed["column"]) == ("courses", 3, column)
    assert listed["rule"]
    assert listed["remedy"].startswith("Write ")


@pytest.mark.parametrize(
    ("column", "written"),
    [
        ("age_years", -4),
        ("age_years", 340),
        ("area_cm2", "ten"),
        ("price_paid", "ca. 900"),
        ("price_paid", "#REF!"),
        ("smoker", "sometimes"),
        ("origin", "friend"),
        ("scarring", "a little"),
        ("stop_reason", "bored"),
        ("sessions_prepaid", "six"),
        ("sessions_prepaid", 1000),
        ("half", "C"),
    ],
)
def test_an_optional_cell_that_cannot_be_used_is_not_recorded_and_its_row_is_used(column, written):
    log = log_of(course(), course(course_id="c2", client_id="p2", **{column: written}))
    assert log.report.rows["courses"].used == 2
    assert log.report.set_aside.empty
    assert pd.isna(log.courses[column][1])
    (own,) = log.report.flagged.to_dict("records")
    assert (own["table"], own["row"], own["column"]) == ("courses", 3, column)
    assert own["value"] == str(written)
    assert own["rule"]
    assert own["remedy"].startswith("Write ")
    assert "read as not recorded" in own["remedy"]


@pytest.mark.parametrize("written", ["soon", "1970-01-01", pd.Timestamp("1970-01-01")])
def test_an_optional_date_that_cannot_be_used_is_not_recorded(written):
    laser = {"laser_id": "yag", "regime": "ns", "wavelengths_nm": "1064"}
    lasers = [laser | {"in_use_from": written}]
    log = log_of(course(), lasers=lasers)
    assert pd.isna(log.lasers["in_use_from"].item())
    assert flagged(log) == [(2, "in_use_from")]


def test_the_report_says_of_which_flagged_cells_nothing_is_used():
    log = log_of(course(smoker="sometimes"), course(course_id="c2", client_id="P1", inks="red"))
    first, _, rest = log.report.to_text().partition("the cell read as not recorded):")
    then, _, last = rest.partition("Flagged (used all the same):")
    assert "Set aside (" not in first
    assert "'sometimes'" in then
    assert "client_id" not in then
    assert "client_id" in last


def flagged(log):
    listed = log.report.flagged
    return list(zip(listed["row"], listed["column"], strict=True))


def test_a_client_spelled_in_two_ways_is_flagged():
    log = log_of(course(), course(course_id="c2", client_id="P1"))
    assert flagged(log) == [(2, "client_id"), (3, "client_id")]


def test_a_client_with_two_skin_types_is_flagged():
    log = log_of(course(), course(course_id="c2", body_site="back", skin_type="IV"))
    assert flagged(log) == [(2, "skin_type"), (3, "skin_type")]


@pytest.mark.parametrize("year", ["2025", "1989"])
def test_a_date_far_from_all_others_is_flagged(year):
    usual = course(started_on="2020-03-01")
    courses = [usual | {"course_id": f"c{i}", "client_id": f"p{i}"} for i in range(30)]
    courses[7]["started_on"] = f"{year}-01-10"
    log = log_of(*courses)
    assert flagged(log) == [(9, "started_on")]
    assert log.report.set_aside.empty


def running_log(*ends, graded=()):
    """Return the log of courses c0, c1, … given as (sessions, outcome), and of their gradings."""
    courses = pd.DataFrame(
        [
            course(course_id=f"c{i}", client_id=f"p{i}", sessions_given=n, outcome=end)
            for i, (n, end) in enumerate(ends)
        ]
    )
    if not graded:
        return OutcomeLog.from_frames(courses)
    rows = pd.DataFrame(graded, columns=["course_id", "after_session", "fading_pct"])
    return OutcomeLog.from_frames(courses, gradings=rows.assign(graded_on="2024-12-01"))


def test_the_last_session_of_a_running_course_is_known_once_it_was_graded():
    log = running_log(
        (4, "cleared"), (3, "stopped"), (5, "ongoing"), (5, "ongoing"), (1, "ongoing"),
        graded=[("c2", 4, 40), ("c3", 5, 50), ("c0", 3, 80)],
    )  # fmt: skip
    assert log.judged_sessions.tolist() == [4, 3, 4, 5, 0]
    rows = course_rows(log)
    assert rows["step"].tolist() == [4, 3, 4, 5, 0]
    assert rows["given"].tolist() == [4, 3, 5, 5, 1]
    assert is_judged(rows).tolist() == [True, True, True, True, False]


def test_without_gradings_nobody_knows_what_the_last_session_of_a_running_course_did():
    assert running_log((4, "cleared"), (6, "ongoing")).judged_sessions.tolist() == [4, 5]


def test_a_log_of_first_visits_is_answered_from_the_evidence():
    fitted = fit_forecaster(running_log((1, "ongoing"), (1, "ongoing")))
    assert fitted.model.to_dict() == fitted.evidence.to_dict()
    assert "No course has reached the goal yet" in " ".join(map(str, fitted.notes))


def test_courses_just_begun_are_counted_but_change_no_estimate():
    ends = [(n, "cleared") for n in (6, 7, 8, 9, 10, 11)]
    enquiry_log, more = running_log(*ends), running_log(*ends, (1, "ongoing"))
    one, other = fit_forecaster(enquiry_log), fit_forecaster(more)
    assert other.log_summary.n_courses == one.log_summary.n_courses + 1
    assert other.model.to_dict()["notes"] == one.model.to_dict()["notes"]


@pytest.mark.slow
def test_a_young_clinic_does_not_forecast_too_long_for_having_many_running_courses():
    # the crude share of clearances that a log misses when it calls the last sessions uncleared:
    # compare each hazard with that of the same courses followed to their end
    asked, known, true = 0.0, 0.0, 0.0
    for seed in range(8):
        clinic = simulate_clinic(400, seed=seed, years=2.0)
        rows = course_rows(clinic.log)
        needed = (
            clinic.truth.set_index("course_id")["needed_clear"]
            .reindex(rows["course_id"])
            .to_numpy()
        )
        running = (clinic.log.courses["outcome"] == "ongoing").to_numpy()
        given = clinic.log.courses["sessions_given"].to_numpy()
        asked += rows["observed"].sum() / given.sum()
        known += rows["observed"].sum() / (rows["step"] - rows["entry"]).sum()
        true += (rows["observed"] | (running & (needed == given))).sum() / given.sum()
    assert abs(known / true - 1) < abs(asked / true - 1) / 3


def test_courses_chosen_by_a_mask_bring_all_of_theirs():
    log = simulate_log(120, seed=4)
    smokers = log.where(log.courses["smoker"] == "yes")
    assert set(smokers.courses["smoker"]) == {"yes"}
    assert len(smokers.courses) == (log.courses["smoker"] == "yes").sum()
    ids = set(smokers.courses["course_id"])
    for name in ("sessions", "gradings", "reactions"):
        whole, part = getattr(log, name), getattr(smokers, name)
        assert len(part) == whole["course_id"].isin(ids).sum()
    assert smokers.lasers.equals(log.lasers)
    missing = pd.array([True, None] * 60, dtype="boolean")
    assert len(log.where(missing).courses) == 60


@pytest.mark.parametrize(
    ("mask", "message"),
    [([True], "shape"), ([1] * 120, "not one yes or no"), ([False] * 120, "keeps no course")],
)
def test_a_mask_that_chooses_nothing_sensible_is_refused(mask, message):
    with pytest.raises(RequestError, match=message):
        simulate_log(120, seed=4).where(mask)


# A log that was kept in another way than it is read says so wherever it is used.


@pytest.fixture(scope="module")
def tidy() -> OutcomeLog:
    return forecast.simulate_log(150, seed=6)


@pytest.fixture(scope="module")
def fractions(tidy) -> OutcomeLog:
    """Return the same log, graded as fractions."""
    frames = {name: getattr(tidy, name).copy() for name in TABLES}
    frames["gradings"]["fading_pct"] /= 100
    return OutcomeLog.from_frames(**frames)


@pytest.fixture(scope="module")
def rosy(tidy) -> OutcomeLog:
    """Return the cleared courses of the log and nothing else."""
    return OutcomeLog.from_frames(tidy.courses[tidy.courses["outcome"] == "cleared"])


def test_an_ordinary_log_arouses_no_suspicion(tidy):
    assert tidy.suspicions == ()


def test_gradings_that_look_like_fractions_are_said_of_the_log_and_of_its_curves(fractions):
    (said,) = fractions.suspicions
    assert said.code == "log.graded_in_fractions"
    assert "percent faded is expected, 0 to 100" in str(said)
    assert str(said) in map(str, forecast.fit_fading(fractions).notes)


def test_a_slip_above_100_does_not_hide_fractions(fractions):
    gradings = fractions.gradings.copy()
    gradings.loc[7, "fading_pct"] = 250
    log = OutcomeLog.from_frames(fractions.courses, gradings=gradings)
    assert log.suspicions == fractions.suspicions != ()
    listed = log.report.flagged.query("column == 'fading_pct' and row == 9")
    assert "not fractions" not in " ".join(listed["rule"])
    assert "not fractions" in " ".join(log.report.flagged["rule"])


def test_gradings_that_are_all_zero_are_no_fractions(tidy):
    gradings = tidy.gradings.assign(fading_pct=0.0)
    log = OutcomeLog.from_frames(tidy.courses, gradings=gradings)
    assert log.suspicions == ()
    assert "not fractions" not in " ".join(log.report.flagged["rule"])


def test_a_log_of_cleared_courses_only_is_called_too_rosy(rosy):
    (said,) = rosy.suspicions
    assert said.code == "log.only_finished"
    assert f"All {len(rosy.courses)} courses" in str(said)
    assert "too rosy: log them" in str(said)


def test_every_estimate_from_such_a_log_says_so(rosy):
    forecaster = forecast.fit_forecaster(rosy)
    enquiry = forecast.Enquiry("II", "forearm", "black", "medium", "single")
    for estimate in (
        forecaster.estimate(enquiry),
        forecaster.update(enquiry, sessions_done=2).remaining,
    ):
        assert "too rosy: log them" in estimate.to_text()


@pytest.mark.parametrize("outcome", ["stopped", "ongoing"])
def test_one_unfinished_course_is_enough_to_allay_it(rosy, outcome):
    courses = rosy.courses.copy()
    courses.loc[0, "outcome"] = outcome
    assert OutcomeLog.from_frames(courses).suspicions == ()


def test_a_few_cleared_courses_are_no_sign(rosy):
    assert OutcomeLog.from_frames(rosy.courses.head(19)).suspicions == ()


def test_the_report_in_one_line_counts_rows_once():
    course = {
        "course_id": "c1", "client_id": "p1", "started_on": "2024-01-10", "skin_type": "II",
        "body_site": "forearm", "inks": "black", "ink_density": "medium", "layering": "single",
        "sessions_given": 3, "outcome": "stopped",
    }  # fmt: skip
    bad = course | {"course_id": "c2", "skin_type": "IX", "body_site": "arm"}
    odd = course | {"course_id": "c3", "client_id": "p3", "stop_reason": "cost"}
    odd |= {"outcome": "ongoing", "age_years": 150}
    grading = {"after_session": 1, "graded_on": "2024-02-10", "fading_pct": 10}
    gradings = [grading | {"course_id": name} for name in ("c1", "c2", "c9")]
    log = OutcomeLog.from_frames(pd.DataFrame([course, bad, odd]), gradings=pd.DataFrame(gradings))
    assert log.report.in_brief() == "1 course and 2 other rows set aside, 1 row flagged"
    assert OutcomeLog.from_frames(pd.DataFrame([course])).report.in_brief() == ""
    alone = OutcomeLog.from_frames(pd.DataFrame([course]), gradings=pd.DataFrame(gradings[2:]))
    assert alone.report.in_brief() == "1 row set aside"


@pytest.fixture(scope="module")
def parted(invented_log) -> OutcomeLog:
    """The invented log, ten courses of which had their second session with both regimes."""
    sessions = invented_log.sessions
    recent = sessions[sessions["treated_on"] > "2022"]  # when the clinic had both
    chosen = recent[recent["session_no"] == 2].head(10)
    other = chosen.assign(part=2, regime=chosen["regime"].map({"ns": "ps", "ps": "ns"}))
    both = pd.concat([sessions, other.assign(laser_id=None, wavelengths_nm=None)])
    return OutcomeLog.from_frames(
        invented_log.courses,
        both,
        invented_log.gradings,
        invented_log.reactions,
        invented_log.lasers,
    )


def test_a_session_of_two_parts_is_one_session_and_mixed_where_they_had_both_regimes(
    invented_log, parted
):
    assert parted.report.rows["sessions"].used == len(invented_log.sessions) + 10
    assert len(parted.each_session) == len(invented_log.sessions)
    assert (parted.each_session["regime"] == "mixed").sum() == 10
    assert set(parted.sessions["regime"]) == {"ns", "ps"}
    assert len(parted.report.flagged) == len(invented_log.report.flagged)


def test_a_mask_over_rows_in_another_order_is_refused():
    log = simulate_log(60, seed=1)
    smokes = log.courses["smoker"] == "yes"
    for mask in (smokes[::-1], smokes.set_axis(log.courses["course_id"])):
        with pytest.raises(RequestError, match="in their order"):
            log.where(mask)
    assert len(log.where(smokes.to_numpy()).courses) == smokes.sum()


def test_the_parts_of_a_session_are_numbered_and_on_one_day(invented_log):
    sessions = invented_log.sessions
    again = sessions.iloc[[0]].assign(wavelengths_nm="532", part=1)
    log = OutcomeLog.from_frames(invented_log.courses, pd.concat([sessions, again]))
    assert set(log.report.set_aside["column"]) == {"part"}
    late = again.assign(part=2, treated_on=sessions["treated_on"][0] + pd.Timedelta("1D"))
    log = OutcomeLog.from_frames(invented_log.courses, pd.concat([sessions, late]))
    assert "the parts of a session on one day" in set(log.report.flagged["rule"])


def test_a_mixed_session_follows_no_strategy_of_one_regime(invented_log, parted):
    def trial_of(log):
        return forecast.compare_regimes(log, horizon=8, replicates=20).diagnostics

    before, after = trial_of(invented_log), trial_of(parted)
    assert sum(after.followers.values()) < sum(before.followers.values())
    assert len(fit_fading(parted).to_dict()) == len(fit_fading(invented_log).to_dict())


def test_further_columns_are_written_where_something_stands_in_them(parted, tmp_path):
    courses = parted.courses.assign(enquired_on=parted.courses["started_on"])
    gradings = parted.gradings.assign(basis="photograph")
    log = OutcomeLog.from_frames(courses, parted.sessions, gradings)
    write_log(log, tmp_path)
    package = json.loads((tmp_path / "datapackage.json").read_text("utf-8"))
    fields = {r["name"]: [f["name"] for f in r["schema"]["fields"]] for r in package["resources"]}
    assert fields["courses"][-1] == "enquired_on"
    assert fields["sessions"][-1] == "part"
    assert fields["gradings"][-1] == "basis"
    assert package["resources"][1]["schema"]["primaryKey"] == ["course_id", "session_no", "part"]
    again = read_log(tmp_path)
    pd.testing.assert_frame_equal(again.sessions, log.sessions)
    assert again.report.set_aside.empty
