"""Fading curves on invented clinics whose truth is known, and on logs that cannot answer."""

import json
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.errors import DataError, RequestError
from forecast.fading.fading import fit_fading
from forecast.fading.rows import bounds_of, fading_rows, grading_unit
from forecast.invented import (
    CaseMix,
    Crew,
    World,
    simulate_clinic,
    simulate_log,
    simulate_split_trial,
)
from forecast.log import OutcomeLog

# black ink that the lasers reach: what a session takes is then known
BLACK = replace(World(), mix=CaseMix(colour=0.0), resistant_rate=0.0)


@pytest.fixture(scope="module")
def log():
    return simulate_log(500, seed=1)


@pytest.fixture(scope="module")
def fading(log):
    return fit_fading(log)


def with_tables(log, **tables):
    """Return the log with some of its tables replaced."""
    names = ("courses", "sessions", "gradings", "reactions", "lasers")
    return OutcomeLog.from_frames(**({name: getattr(log, name) for name in names} | tables))


def true_slopes(clinic, world, courses):
    """Return the mean fall of log ink per session of these courses under ns and ps."""
    speed = np.exp(clinic.truth.set_index("course_id").loc[courses]["log_speed"])
    # the mean over the chance of a session and over operators
    ns = float(speed.mean() * np.exp(world.session_sd**2 / 2) * np.exp(Crew.of(world).speed).mean())
    return ns, ns * np.exp(world.regime_effect)


def test_known_shares_per_session_come_back():
    clinic = simulate_clinic(900, seed=3, world=BLACK)
    fading = fit_fading(clinic.log, level=0.99)
    for regime, slope in zip(
        ("ns", "ps"), true_slopes(clinic, BLACK, fading.rows.courses["course_id"]), strict=True
    ):
        share, (low, high) = fading.share(regime)
        assert low < 1 - np.exp(-slope) < high
        assert high - low < 0.08
        assert share == pytest.approx(1 - np.exp(-slope), abs=0.02)


# other colours are slow, differ most and are changed to ps most: the hardest to get right
@pytest.mark.slow
@pytest.mark.parametrize(("world", "group"), [(BLACK, "black"), (World(), "other colours")])
def test_regime_differences_are_covered_as_promised(world, group):
    covered, gaps, errors = [], [], []
    for seed in range(60):
        clinic = simulate_clinic(600, seed=1000 + seed, world=world)
        fading = fit_fading(clinic.log)
        courses = fading.rows.courses.query("ink_group == @group")["course_id"]
        ns, ps = true_slopes(clinic, world, courses)
        truth = np.exp(-ns) - np.exp(-ps)
        row = fading.differences.set_index("ink_group").loc[group]
        covered.append(row["low"] < truth < row["high"])
        gaps.append(row["difference"] - truth)
        errors.append((row["high"] - row["low"]) / 3.92)
    # 95 % promised: fewer than 53 of 60 is a chance of 1 in 100, and errors are as large as stated
    assert np.sum(covered) >= 53
    assert np.std(gaps) < 1.25 * np.mean(errors)
    assert abs(np.mean(gaps)) < 0.004


def test_operators_who_like_ps_and_are_quick_are_not_taken_for_ps():
    # five operators whose own speeds differ as much as those of two regimes might
    world = replace(BLACK, regime_effect=0.0, operator_speed_sd=0.3, operator_seed=3)
    fading = fit_fading(simulate_clinic(900, seed=11, world=world).log, level=0.99)
    assert "operator" in fading.adjusted_for
    low, high = fading.differences.set_index("ink_group").loc["all", ["low", "high"]]
    assert low < 0 < high
    # what each takes, over the mean of all, comes back
    names = [name for name in fading.rows.names if name.startswith("operator ")]
    found = fading.model.coefficients[[fading.rows.names.index(name) for name in names]]
    pace = np.exp(Crew.of(world).speed)
    assert_allclose(found, (pace / pace.mean() - 1)[: len(found)], atol=0.08)


def test_an_operator_who_alone_fires_ps_is_said():
    fading = fit_fading(simulate_clinic(500, seed=12, world=replace(BLACK, ps_owner=True)).log)
    assert "operator" not in fading.adjusted_for
    assert any("cannot be told apart" in note for note in fading.notes)


def test_courses_that_level_off_are_named_and_most_of_them_have_a_remnant():
    clinic = simulate_clinic(700, seed=13, world=replace(World(), resistant_rate=0.3))
    fading = fit_fading(clinic.log)
    remnant = clinic.truth.set_index("course_id")["remnant"]
    named = [row["course_id"] for row in fading.to_dict()["level_off"] if row["chance"] > 0.8]
    assert len(named) >= 5
    assert (remnant.loc[named] > 0.05).mean() > 0.8
    assert any("level off" in note or "levels off" in note for note in fading.notes)


def test_a_plain_average_of_gradings_follows_those_who_are_left(fading):
    # the mean grading after session 12 is of courses too slow to have cleared before
    late = fading.rows.table.query("session == 12")["fading_pct"].mean()
    curve = fading.curves.query("ink_group == 'all' and session == 12")["faded"]
    assert (curve > late + 3).all()


def test_editing_the_order_of_rows_or_names_changes_nothing(log, fading):
    shuffled = with_tables(
        log,
        courses=log.courses.sample(frac=1, random_state=1),
        gradings=log.gradings.sample(frac=1, random_state=2),
        sessions=log.sessions.sample(frac=1, random_state=3),
    )
    again = fit_fading(shuffled)
    assert_allclose(again.shares["share"], fading.shares["share"], atol=1e-5)
    assert_allclose(again.shares["low"], fading.shares["low"], atol=1e-5)


def test_bands_hold_the_curve_and_the_middle_courses_are_wider(fading):
    curves = fading.curves.query("session > 0")
    assert (curves["low"] <= curves["faded"]).all()
    assert (curves["faded"] <= curves["high"]).all()
    assert (curves["middle_high"] - curves["middle_low"] > curves["high"] - curves["low"]).all()
    assert (curves["courses"] >= 5).all()
    assert curves.groupby(["regime", "ink_group"])["faded"].is_monotonic_increasing.all()


def test_a_wider_level_gives_wider_intervals(log, fading):
    narrow = fit_fading(log, level=0.5)
    assert (narrow.shares["low"] > fading.shares["low"]).all()
    assert_allclose(narrow.shares["share"], fading.shares["share"])


def test_everything_travels_as_plain_json(fading):
    found = json.loads(json.dumps(fading.to_dict(), allow_nan=False))
    assert found["courses"] == len(fading.rows.courses)
    assert found["shares"][0]["share"] == pytest.approx(fading.shares["share"].iloc[0])
    assert "share of the remaining ink" in fading.to_text()
    assert fading.assumption in fading.to_text()


def graded_log(faded):
    """Return a log without sessions whose n courses were graded as in ``faded``, (n, sessions)."""
    n, sessions = faded.shape
    ids = [f"C{place:03d}" for place in range(n)]
    courses = simulate_log(n, seed=2).courses.assign(
        course_id=ids,
        goal="clear",
        outcome="ongoing",
        sessions_elsewhere=0,
        sessions_given=sessions,
        stop_reason=None,
    )
    gradings = pd.DataFrame(
        {
            "course_id": np.repeat(ids, sessions),
            "after_session": np.tile(np.arange(1, sessions + 1), n),
            "graded_on": pd.Timestamp("2024-01-01"),
            "fading_pct": faded.ravel().clip(0, 100),
        }
    )
    return OutcomeLog.from_frames(courses, gradings=gradings)


def test_21_percent_a_session_gives_the_two_published_amounts():
    # Bernstein et al. 2015 (79 % after 6.5 sessions) and 2018 (61 % after 4)
    rng = np.random.default_rng(1)
    left = 0.79 ** np.arange(1, 9) * np.exp(rng.normal(0, 0.05, (40, 8)))
    found = fit_fading(graded_log(100 * (1 - left)))
    share, (low, high) = found.share("all")
    assert share == pytest.approx(0.21, abs=0.005)
    assert low < 0.21 < high
    curve = found.curves.query("ink_group == 'all'").set_index("session")["faded"]
    assert curve[4] == pytest.approx(61, abs=1.0)
    assert np.interp(6.5, curve.index, curve) == pytest.approx(79, abs=1.0)
    assert any("no sessions" in note for note in found.notes)


def test_a_log_without_fading_is_not_told_to_fade():
    for seed in range(4):
        rng = np.random.default_rng(seed)
        left = np.exp(rng.normal(-0.5, 0.4, (25, 4)))
        fading = fit_fading(graded_log(100 * (1 - left.clip(0.06, 0.99))))
        share, (low, high) = fading.share("all")
        assert low < 0 < high
        assert low < share < high < 1


def test_the_middle_courses_are_eight_of_ten():
    clinic = simulate_clinic(900, seed=8, world=BLACK)
    fading = fit_fading(clinic.log)
    truth = clinic.truth.set_index("course_id").loc[fading.rows.courses["course_id"]]
    pace = np.exp(truth["log_speed"].to_numpy() + BLACK.session_sd**2 / 2)
    for session in (4, 8):
        faded = 100 * -np.expm1(-session * pace)
        curve = fading.curves.query("ink_group == 'all' and regime == 'ns' and session == @session")
        low, middle, high = curve[["middle_low", "faded", "middle_high"]].iloc[0]
        assert middle == pytest.approx(np.median(faded), abs=2.5)
        # chance within the sessions, no part of the paces, widens the range a little
        assert 0.78 < ((low < faded) & (faded < high)).mean() < 0.92


def test_both_published_thresholds_come_from_one_fit():
    # Kilmer et al. 1993, four sessions: more than 75 % in 77 %, more than 95 % in 28 %. A normal
    # log of the ink left that gives both has mean -2.286 and standard deviation 1.218 by then
    rng = np.random.default_rng(2)
    pace = rng.normal(2.286 / 4, 1.218 / 4, (400, 1))
    left = np.exp(-pace * np.arange(1, 5) + rng.normal(0, 0.05, (400, 4)))
    fading = fit_fading(graded_log(100 * (1 - left)))
    curve = fading.curves.query("ink_group == 'all' and session == 4")
    middle = np.log(1 - curve["faded"].iloc[0] / 100)
    z = np.array([1.0, 4.0])
    # what the attributes, drawn without regard to fading, seem to explain is part of the spread
    explained = np.var(fading.rows.centred @ slopes_of(fading)) * middle**2
    spread = np.sqrt(z @ fading.model.fitted.model.random_covariance @ z + explained)
    for percent, published in ((75, 0.77), (95, 0.28)):
        beyond = NormalDist(middle, spread).cdf(np.log(1 - percent / 100))
        # standard error of a share of 400 courses: 2.2 points
        assert beyond == pytest.approx(published, abs=0.05)


def slopes_of(fading):
    """Return the fitted effects of the attributes on the log of the slope."""
    place = [fading.rows.names.index(name) for name in fading.rows.adjusted]
    return fading.model.coefficients[place]


def test_halves_of_split_tattoos_give_paired_curves():
    fading = fit_fading(simulate_split_trial(40, seed=2))
    assert fading.split is not None
    assert fading.split.n_pairs >= 38
    assert set(fading.split.curves.columns) >= {"session", "ns", "ps", "difference", "low", "high"}
    # the paired share and the model's agree: both are of the same halves
    gap = fading.differences.set_index("ink_group").loc["all", "difference"]
    low, high = fading.split.share.interval
    assert low - 0.01 < gap < high + 0.01


def test_one_regime_gives_its_curve_and_says_so(log):
    only = log.sessions.groupby("course_id")["regime"].transform("nunique") == 1
    ns = log.sessions[only & (log.sessions["regime"] == "ns")]
    courses = log.courses[log.courses["course_id"].isin(ns["course_id"])]
    fading = fit_fading(
        OutcomeLog.from_frames(
            courses, ns, log.gradings[log.gradings["course_id"].isin(courses["course_id"])]
        )
    )
    assert set(fading.shares["regime"]) == {"ns"}
    assert fading.differences.empty
    assert any("nothing to compare" in note for note in fading.notes)


def test_coarse_grades_count_as_ranges():
    log = simulate_log(150, seed=6)
    coarse = log.gradings.assign(fading_pct=(log.gradings["fading_pct"] / 10).round() * 10)
    fading = fit_fading(with_tables(log, gradings=coarse))
    fine = fit_fading(log)
    assert fading.rows.unit == 10
    assert any("multiples of 10" in note for note in fading.notes)
    assert_allclose(fading.share("ns")[0], fine.share("ns")[0], atol=0.02)


def test_coarse_grades_do_not_burst_the_intervals_of_a_small_log():
    # no spread of starts is found in the tens of this one: it must not count as known to be none
    log = simulate_clinic(200, seed=9, world=World()).log
    tens = log.gradings.assign(fading_pct=(log.gradings["fading_pct"] / 10).round() * 10)
    widths = []
    for one in (log, with_tables(log, gradings=tens)):
        _, (low, high) = fit_fading(one).share("ns")
        widths.append(high - low)
    assert 0.8 < widths[1] / widths[0] < 1.5


def test_gradings_that_are_all_alike_have_no_curve(log):
    same = log.gradings.assign(fading_pct=50.0)
    running = log.courses.assign(outcome="ongoing", stop_reason=None)
    with pytest.raises(DataError, match="no curve"):
        fit_fading(with_tables(log, courses=running, gradings=same))


def test_gradings_at_the_ends_of_the_scale_are_bounds():
    low, high, _ = bounds_of(np.array([0.0, 40.0, 95.0, 100.0]), unit=1, cleared_at=95)
    assert np.isinf(high[0])
    assert low[1] == high[1] == pytest.approx(np.log(0.6))
    assert np.isneginf(low[2:]).all()
    assert_allclose(high[2:], np.log(0.05))
    wide, narrow, _ = bounds_of(np.array([50.0]), unit=10, cleared_at=95)
    assert_allclose([wide[0], narrow[0]], np.log([0.45, 0.55]))
    assert grading_unit([0, 20, 40]) == 10


def test_a_clearance_that_nobody_graded_counts_as_at_the_threshold(log):
    cleared = log.courses[log.courses["outcome"] == "cleared"]
    last = cleared.set_index("course_id")["sessions_given"]
    at_end = log.gradings["course_id"].map(last) == log.gradings["after_session"]
    rows = fading_rows(with_tables(log, gradings=log.gradings[~at_end]))
    ends = rows.table[rows.table["fading_pct"] == log.cleared_at]
    used = rows.courses[rows.courses["outcome"] == "cleared"]
    assert set(used["course_id"]) <= set(ends["course_id"])


def test_too_few_gradings_are_refused_with_what_is_needed(log):
    few = log.courses.head(10)
    gradings = log.gradings[log.gradings["course_id"].isin(few["course_id"])]
    with pytest.raises(DataError, match="20 courses and 60 gradings"):
        fit_fading(OutcomeLog.from_frames(few, gradings=gradings))
    with pytest.raises(DataError, match="no gradings"):
        fit_fading(OutcomeLog.from_frames(log.courses))


def test_an_unknown_regime_is_refused_by_name(fading):
    with pytest.raises(RequestError, match="Known are"):
        fading.share("ms")


def test_the_log_is_left_as_it_was(log):
    before = {name: getattr(log, name).copy() for name in ("courses", "sessions", "gradings")}
    fit_fading(log)
    for name, frame in before.items():
        pd.testing.assert_frame_equal(frame, getattr(log, name))
