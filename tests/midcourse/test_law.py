"""The law of the sessions still needed: pooled from two, put right by session."""

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

import forecast
from forecast.counts import course_rows
from forecast.forecaster import load_forecaster
from forecast.midcourse import Midcourse, fit_midcourse, usual_midcourse
from forecast.midcourse.law import BANDS, MOST, THIRDS, band_of, best_weight, pooled, third_of
from forecast.survival import CountDistribution

ENQUIRY = forecast.Enquiry("II", "forearm", "black", "medium", "single", area_cm2=50)
EVEN = [(0, 0), (1, 27), (2, 46), (3, 60), (4, 70)]


def test_it_travels_as_json(forecaster, tmp_path):
    forecaster.save(tmp_path / "model.json")
    loaded = load_forecaster(tmp_path / "model.json")
    for gradings in ([], EVEN):
        one = forecaster.update(ENQUIRY, sessions_done=4, gradings=gradings)
        other = loaded.update(ENQUIRY, sessions_done=4, gradings=gradings)
        assert_allclose(one.remaining.draws, other.remaining.draws, atol=1e-12)
        assert one.to_dict() == other.to_dict()
    stored = json.loads(json.dumps(forecaster.midcourse.to_dict()))
    assert Midcourse.from_dict(stored).to_dict() == forecaster.midcourse.to_dict()


def test_the_pool_beats_the_count_alone_and_is_no_worse_than_either_part(forecaster):
    scores = forecaster.midcourse.scores
    assert scores["together"] < 0.8 * scores["count"]
    assert scores["together"] < 1.02 * min(scores["passage"], scores["landmark"])


@pytest.mark.parametrize("one", [1.0, 2.5])
def test_the_weight_is_where_the_squared_error_of_a_mixture_is_least(one):
    rng = np.random.default_rng(3)
    outcome, first, second = rng.random((3, 400))
    second = one * second
    error = [np.mean((outcome - (1 - w) * first - w * second) ** 2) for w in (0, 0.5, 1)]
    grid = np.linspace(0, 1, 1001)
    every = [np.mean((outcome - (1 - w) * first - w * second) ** 2) for w in grid]
    assert abs(best_weight(*error) - grid[int(np.argmin(every))]) < 0.01


def test_two_forecasts_that_are_as_good_share_the_weight():
    assert best_weight(1.0, 1.0, 1.0) == 0.5
    assert 0.3 < best_weight(1.0001, 1.0, 1.0) < 0.7


def test_a_course_has_one_cell():
    paces = ((0.1, 0.3), (0.2, 0.4))
    assert [band_of(k) for k in (1, 2, 3, 5, 6, 9, 10, 40)] == [
        "1-2", "1-2", "3-5", "3-5", "6-9", "6-9", "10+", "10+",
    ]  # fmt: skip
    assert [third_of(1, pace, paces) for pace in (0.05, 0.2, 0.35)] == list(THIRDS)
    assert third_of(9, 0.35, paces) == "middle"


def test_each_cell_of_the_card_says_how_promises_held(forecaster):
    held = forecaster.midcourse.held
    assert {row["sessions"] for row in held} == {band for _, band in BANDS}
    for row in held:
        assert 0 <= row["n_cleared"] <= row["n_courses"]
        if row["n_cleared"] >= 20:
            assert abs(row["coverage"] - 0.8) < 0.15, row
            assert abs(row["said"] - row["seen"]) < 0.15, row


def test_a_slower_course_is_told_more_sessions_and_a_smaller_chance(forecaster):
    told = [
        forecaster.update(ENQUIRY, sessions_done=6, gradings=[(2, g / 3), (4, g * 0.7), (6, g)])
        for g in (25, 45, 65, 85)
    ]
    middles = [update.remaining.distribution.mean_capped(25)[0] for update in told]
    beyond = [update.remaining.distribution.not_yet()[0] for update in told]
    assert middles == sorted(middles, reverse=True)
    assert beyond == sorted(beyond, reverse=True)


def test_a_course_slower_than_any_that_cleared_is_not_promised_to_clear_soon():
    log = forecast.simulate_log(140, seed=771, mechanism="leaving")  # trusts its landmarks most
    found = forecast.fit_forecaster(log)
    assert found.midcourse.weight == MOST
    gradings = [(2, 10), (4, 20), (6, 30), (8, 36)]
    slow = found.update(ENQUIRY, sessions_done=8, gradings=gradings).remaining
    assert slow.not_within_horizon > 0.4
    assert slow.interval[1] is None
    assert "midcourse.hardly_any_so_slow" in {note.code for note in slow.notes}
    assert not [note for note in slow.leads if note.code.startswith("leads.apart")]
    usual = found.update(ENQUIRY, sessions_done=4, gradings=EVEN).remaining
    assert "midcourse.hardly_any_so_slow" not in {note.code for note in usual.notes}


def test_a_grading_before_the_first_session_counts_for_a_course_begun_elsewhere_alone(forecaster):
    alike = np.full((2, 25), 0.03)
    for elsewhere, counts in ((0, False), (3, True)):
        begun, later = (
            forecaster.midcourse.draws(alike, 8.0, 2, gone, elsewhere=elsewhere)
            for gone in ({0: 0.2, 2: 0.9}, {2: 0.9})
        )
        assert (np.abs(begun - later).max() > 1e-3) == counts


def test_stopped_courses_are_completed_from_their_last_grading_on(forecaster, invented_log):
    rows = course_rows(invented_log, goal="clear").reset_index(drop=True)
    flat = CountDistribution.from_hazard(np.full((len(rows), 40), 0.1))
    place, step, _ = forecaster.midcourse.completed(invented_log, rows, flat, horizon=25)
    graded = rows["course_id"].isin(invented_log.gradings["course_id"])
    could = rows[rows["stopped"] & graded & (rows["entry"] == 0)]
    assert len(place) > 0.8 * len(could)
    assert set(place) <= set(could.index)
    assert (step.min(axis=1) > rows["step"].to_numpy()[place]).all()


def test_laws_are_multiplied():
    one, other = np.array([[0.8, 0.2], [0.5, 0.1]]), np.array([[0.2, 0.8], [0.1, 0.1]])
    assert_allclose(pooled(one, other, 1.0), one, atol=1e-5)
    assert_allclose(pooled(one, other, 0.0), other, atol=1e-5)
    assert_allclose(pooled(one, other, 0.5)[0], [0.5, 0.5], atol=1e-5)
    assert pooled(one, np.zeros((2, 2)), 0.5)[1].sum() < 0.01  # ruled out by one, not promised


@pytest.mark.parametrize(("mechanism", "low", "high"), [("waning", 0.4, 0.75), ("share", 0.9, 1.0)])
def test_a_bridge_learns_how_removal_wanes(mechanism, low, high):
    log = forecast.simulate_log(200, seed=772, mechanism=mechanism)
    rows = course_rows(log, goal="clear")
    flat = CountDistribution.from_hazard(np.full((len(rows), 40), 0.1))
    assert low <= fit_midcourse(log, rows, flat, horizon=25, seed=None).passage.bend <= high


def test_past_the_last_landmark_the_answer_says_so(forecaster):
    last = forecaster.midcourse.last_landmark
    for done, said in ((last, False), (last + 1, True)):
        found = forecaster.update(ENQUIRY, sessions_done=done, gradings=[(done, 80)])
        codes = {note.code for note in found.remaining.notes}
        assert ("midcourse.past_last_landmark" in codes) is said


def test_too_few_graded_courses_give_no_law_of_their_own():
    log = forecast.simulate_log(30, seed=11)
    rows = course_rows(log, goal="clear")
    flat = CountDistribution.from_hazard(np.full((len(rows), 40), 0.1))
    assert fit_midcourse(log, rows, flat, horizon=25, seed=1) is None


@pytest.mark.parametrize("size", [1, 30])
def test_in_a_small_log_a_slow_course_is_still_told_it_is_slow_and_that_this_is_a_judgement(size):
    log = forecast.simulate_log(300, seed=11)
    small = log.where(np.arange(len(log.courses)) < size)
    found = forecast.fit_forecaster(small, seed=1)
    assert found.midcourse.landmark is None
    asked = {"sessions_done": 8}
    slow, quick = (
        found.update(ENQUIRY, gradings=[(4, at / 2), (8, at)], **asked).remaining for at in (36, 90)
    )
    alone = found.update(ENQUIRY, **asked).remaining
    assert slow.chance_by(5) < alone.chance_by(5) - 0.1
    assert slow.chance_by(5) < quick.chance_by(5) - 0.2
    # at its pace the 64 % that is left takes some fifty sessions more
    assert slow.interval[0] > 2
    assert slow.chance_by(5) < 0.15
    assert slow.notes[0].code == "midcourse.too_few_graded"
    assert slow.notes[0].severity == "serious"


def test_a_usual_law_is_pulled_by_the_few_courses_that_were_graded():
    log = forecast.simulate_log(30, seed=11)
    rows = course_rows(log, goal="clear")
    pulled = usual_midcourse(log, rows, steps=40).passage
    usual = usual_midcourse(log, rows.iloc[:0], steps=40).passage
    assert pulled.error < usual.error  # these graders differ by less than is feared
    assert pulled.lengths == usual.lengths
