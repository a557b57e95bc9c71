"""Mid-course: what gradings add, and what they can never do."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import forecast
from benchmarks.clinics import drawn_world
from benchmarks.truth import YEAR, arrive, hide
from forecast.errors import RequestError
from forecast.midcourse import doubtful_gradings
from forecast.midcourse.update import _hardly_moves, _level_notes, has_slowed

ENQUIRY = forecast.Enquiry("II", "forearm", "black", "medium", "single", area_cm2=50)
EVEN = [(0, 0), (1, 27), (2, 46), (3, 60), (4, 70)]
SLOW = [(0, 0), (1, 14), (2, 26), (3, 36), (4, 44)]
FAST = [(0, 0), (1, 48), (2, 73), (3, 86), (4, 92)]


def test_without_gradings_it_is_the_estimate_given_not_cleared_by_then(forecaster):
    before = forecaster.estimate(ENQUIRY)
    for done in (1, 4, 9):
        later = forecaster.update(ENQUIRY, sessions_done=done)
        # P(K = k | K > done), by hand
        pmf = before.distribution.pmf[0]
        expected = pmf[done:] / (1 - pmf[:done].sum())
        assert_allclose(later.remaining.distribution.pmf[0, : 25 - done], expected, atol=1e-9)
        assert "only the sessions done" in str(later.remaining.notes[0])


def test_a_grading_before_the_first_session_adds_nothing(forecaster):
    without = forecaster.update(ENQUIRY, sessions_done=3)
    with_one = forecaster.update(ENQUIRY, sessions_done=3, gradings=[(0, 0)])
    assert_allclose(with_one.remaining.draws, without.remaining.draws)


def test_before_any_session_it_is_the_estimate(forecaster):
    later = forecaster.update(ENQUIRY, sessions_done=0)
    before = forecaster.estimate(ENQUIRY)
    assert_allclose(later.total.distribution.pmf, before.distribution.pmf, atol=1e-9)


def test_slow_fading_asks_for_more_and_fast_fading_for_fewer(forecaster):
    slow, even, fast = (
        forecaster.update(ENQUIRY, sessions_done=4, gradings=gradings).remaining
        for gradings in (SLOW, EVEN, FAST)
    )
    assert fast.median < even.median < slow.median
    assert fast.chance_by(3) > even.chance_by(3) > slow.chance_by(3)
    assert any("less by now than 9 of 10" in str(note) for note in slow.notes)
    assert any("further by now than 9 of 10" in str(note) for note in fast.notes)
    assert not any("9 of 10" in str(note) for note in even.notes)


def test_gradings_that_stand_still_make_the_end_less_sure_and_say_so(forecaster):
    without = forecaster.update(ENQUIRY, sessions_done=12).remaining
    still = [(2, 46), (4, 70), (6, 82), (8, 85), (10, 85), (12, 85)]
    found = forecaster.update(ENQUIRY, sessions_done=12, gradings=still).remaining
    assert found.not_within_horizon > without.not_within_horizon + 0.2
    assert any("level off" in str(note) for note in found.notes)
    climbing = [(2, 21), (4, 37), (6, 50), (8, 60), (10, 72), (12, 82)]
    going = forecaster.update(ENQUIRY, sessions_done=12, gradings=climbing).remaining
    assert going.not_within_horizon < without.not_within_horizon
    assert not any("level off" in str(note) for note in going.notes)


@pytest.mark.parametrize(
    ("gradings", "before", "percent"),
    [
        ([(4, 60), (8, 85), (12, 90), (16, 93), (20, 94)], 93, 94),  # far on, yet it stands still
        ([(2, 40), (6, 75), (8, 85), (10, 85), *((k, 90) for k in range(12, 21, 2))], 90, 90),
    ],
)
def test_a_late_course_that_stands_still_is_called_neither_fast_nor_lost(
    forecaster, gradings, before, percent
):
    found = forecaster.update(ENQUIRY, sessions_done=20, gradings=gradings).remaining
    notes = {note.code: note for note in found.notes}
    values = {"since": 16, "before": before, "session": 20, "percent": percent}
    assert notes["midcourse.hardly_moves"].values == values
    told = {"midcourse.faster", "midcourse.as_usual", "midcourse.levels_off"}
    assert not told & notes.keys()


@pytest.mark.parametrize(
    ("percent", "said"),
    [
        ({4: 85, 8: 90}, False),  # the log of the ink left falls by .101 a session
        ({4: 85, 8: 88}, True),  # by .056
        ({6: 85, 8: 85}, False),  # two sessions say little
        ({0: 0, 4: 20}, False),  # slow from the first is no "of late"
        ({4: 95, 8: 96}, False),  # there already
    ],
)
def test_a_course_hardly_moves_by_what_is_left_over_four_sessions(percent, said):
    assert bool(_hardly_moves(percent, 95)) is said


@pytest.mark.parametrize(
    ("never_before", "never_now", "codes"),
    [
        (0.01, 0.05, []),
        (0.21, 0.35, ["midcourse.slowed"]),
        (0.05, 0.35, ["midcourse.levels_off"]),
        (0.5, 0.6, []),  # its number says it
        (0.4, 0.3, []),
    ],
)
def test_what_is_said_of_a_course_that_slows_is_by_what_it_does_to_the_end(
    never_before, never_now, codes
):
    before, now = (np.full((3, 5), (1 - share) / 5) for share in (never_before, never_now))
    assert [note.code for note in _level_notes(before, now)] == codes


@pytest.mark.parametrize(
    ("gradings", "slowed"),
    [
        ({2: 25, 4: 45}, False),  # the log of the ink left falls by .144, then .155 a session
        ({4: 60}, False),
        ({1: 15, 2: 20, 3: 20}, False),  # five points are less than two graders differ by
        ({3: 55, 6: 55}, True),
        ({2: 46, 4: 70, 6: 82, 8: 85, 10: 85, 12: 85}, True),
    ],
)
def test_fading_has_slowed_only_beyond_what_graders_differ_by(gradings, slowed):
    assert has_slowed(gradings, error=0.01) == slowed


def test_a_pace_that_has_not_changed_seldom_seems_to_have_slowed():
    rng = np.random.default_rng(5)
    sessions = np.arange(2, 11, 2)
    seemed = 0
    for _ in range(400):
        seen = 100 * (1 - np.exp(-0.15 * sessions)) + rng.normal(0, 5, len(sessions))
        seemed += has_slowed(dict(zip(sessions.tolist(), seen.clip(0, 97), strict=True)), error=0)
    assert seemed / 400 < 0.08  # 0.05 and three errors of the share


def test_even_and_single_gradings_are_never_said_to_level_off(forecaster):
    hard = forecast.Enquiry("II", "chest", "black;green;purple", "heavy", "single", smoker="yes")
    for gradings in ([(2, 25), (4, 45)], [(4, 60)], [(4, 12)]):
        notes = forecaster.update(hard, sessions_done=4, gradings=gradings).remaining.notes
        assert "midcourse.levels_off" not in [note.code for note in notes]


@pytest.mark.parametrize(
    ("gradings", "asked"),
    [
        ([(0, 0), (2, 30), (3, 25), (4, 45), (4, 55)], {}),
        ([(0, 0), (3, 0.5)], {1: "fraction"}),
        ([(2, 0.25), (4, 45)], {0: "fraction"}),
        ([(2, 1), (3, 1)], {0: "fraction", 1: "fraction"}),
        ([(2, 60), (4, 40)], {1: "fall"}),
        ([(4, 60), (2, 30)], {1: "order"}),
        ([(2, 30), (5, 50)], {1: "beyond"}),
    ],
)
def test_gradings_that_can_hardly_be_are_asked_about_where_they_stand(gradings, asked):
    found = doubtful_gradings(gradings, 4)
    assert {k: note.code.removeprefix("midcourse.ask_") for k, note in found.items()} == asked


def test_gradings_narrow_the_answer(forecaster):
    without = forecaster.update(ENQUIRY, sessions_done=4).remaining
    with_them = forecaster.update(ENQUIRY, sessions_done=4, gradings=EVEN).remaining
    widths = [one.interval[1] - one.interval[0] for one in (with_them, without)]
    assert widths[0] < widths[1]


def test_the_total_is_what_was_done_and_what_remains(forecaster):
    later = forecaster.update(ENQUIRY, sessions_done=4, gradings=EVEN)
    assert later.total.median == later.remaining.median + 4
    assert later.total.chance_by(4) == 0
    assert_allclose(later.total.distribution.pmf[:, 4:], later.remaining.distribution.pmf)
    assert_allclose(
        later.remaining.draws.mean(axis=0), later.remaining.distribution.pmf[0], atol=1e-12
    )


@pytest.mark.parametrize("percent", [95, 97, 100])
def test_no_grading_counts_as_clearance(forecaster, percent):
    later = forecaster.update(ENQUIRY, sessions_done=5, gradings=[(4, 90), (5, percent)])
    assert later.remaining.chance_by(0) == 0
    assert later.remaining.median >= 1
    assert later.remaining.distribution.pmf.sum() <= 1 + 1e-9
    assert any("not recorded as cleared" in str(note) for note in later.remaining.notes)


@pytest.mark.parametrize(
    "gradings",
    [
        [(1, 0), (2, 0), (3, 0)],
        [(3, 100)],
        [(1, 90), (2, 10), (3, 95)],
        [(3, 40), (3, 60), (3, 20)],
        [(1, 5), (2, 5.5), (3, 99.9)],
        [(2, 30, "2024-05-01"), (3, 50, pd.Timestamp("2024-07-01"))],
        [(0, 100), (3, 50)],
        [(np.int64(3), np.float64(50))],
    ],
    ids=str,
)
def test_no_history_is_too_odd_to_answer(forecaster, gradings):
    later = forecaster.update(ENQUIRY, sessions_done=3, gradings=gradings)
    pmf = later.remaining.distribution.pmf
    assert np.isfinite(pmf).all()
    assert pmf.sum() > 0.01 or later.remaining.not_within_horizon > 0.9
    json.dumps(later.to_dict(), allow_nan=False)


def test_a_sharp_fall_is_said(forecaster):
    later = forecaster.update(ENQUIRY, sessions_done=3, gradings=[(1, 60), (3, 20)])
    assert any("well below the one before" in str(note) for note in later.remaining.notes)


def test_several_gradings_of_one_session_count_as_their_mean(forecaster):
    several, one, last = (
        forecaster.update(ENQUIRY, sessions_done=2, gradings=gradings).remaining.draws
        for gradings in ([(2, 20), (2, 40)], [(2, 30)], [(2, 40)])
    )
    assert_allclose(several, one, atol=1e-12)
    assert abs(one - last).max() > 1e-3


@pytest.mark.parametrize(
    ("done", "gradings", "message"),
    [
        (3, [(4, 50)], "after session 4, but the sessions done are 3"),
        (3, [(2, 100.5)], "from 0"),
        (3, [(2, -1)], "from 0"),
        (3, [(2, float("nan"))], "from 0"),
        (3, [(2, "half")], "not a number"),
        (3, [(2,)], "1 part"),
        (3, [(-1, 20)], "after_session"),
        (3, [(1.5, 20)], "after_session"),
        (-1, [], "sessions_done"),
        (2.0, [], "sessions_done"),
    ],
    ids=str,
)
def test_what_cannot_be_is_refused(forecaster, done, gradings, message):
    with pytest.raises(RequestError, match=message):
        forecaster.update(ENQUIRY, sessions_done=done, gradings=gradings)


def test_sessions_elsewhere_count_and_are_said(forecaster):
    moved = replace(ENQUIRY, sessions_elsewhere=3)
    without = forecaster.update(moved, sessions_done=2).remaining
    slow = forecaster.update(moved, sessions_done=2, gradings=[(0, 40), (2, 55)]).remaining
    fast = forecaster.update(moved, sessions_done=2, gradings=[(0, 70), (2, 88)]).remaining
    assert fast.median < without.median < slow.median
    assert any("Begun elsewhere" in str(note) for note in fast.notes)
    # faded from 70 to 88 % is not read as 88 % in two sessions
    here = forecaster.update(ENQUIRY, sessions_done=2, gradings=[(2, 88)]).remaining
    assert here.median < fast.median


@pytest.mark.slow
def test_who_is_called_nearly_sure_to_clear_does_and_who_never_will_is_seen_coming():
    sure, failed, said, true = 0, 0, [], []
    for seed in (611, 612, 613):
        world = drawn_world(seed)
        fitted = forecast.fit_forecaster(
            forecast.simulate_log(600, seed=seed, world=world), seed=seed
        )
        rng = np.random.default_rng([seed, 2])
        cohort, _, paths = arrive(250, world, rng, (6 * YEAR, 8 * YEAR), 60)
        asked = hide(cohort.attributes.enquiries(), rng).to_dict("records")
        needed = paths.first_at(world.cleared_at)
        for row, done in ((row, done) for row in range(250) for done in (8, 12)):
            written = [k for k in range(done) if paths.graded[row, k]]
            if needed[row] <= done or asked[row]["sessions_elsewhere"] or not written:
                continue
            gradings = [(k + 1, float(paths.grade[row, k])) for k in written]
            enquiry = forecast.Enquiry(**asked[row])
            left = fitted.update(enquiry, sessions_done=done, gradings=gradings).remaining
            said.append(left.not_within_horizon)
            true.append(needed[row] > done + 25)
            sure += left.not_within_horizon < 0.01
            failed += left.not_within_horizon < 0.01 and true[-1]
    assert failed <= 0.02 * sure
    assert np.mean((np.array(said) - true) ** 2) < 0.6 * np.var(true)


def test_nothing_reassuring_is_said_where_most_are_not_there_within_the_horizon(forecaster):
    white = forecast.Enquiry("II", "ankle", "white", "heavy", "layered")
    found = forecaster.update(white, sessions_done=2, gradings=[(2, 3)]).remaining
    assert found.not_within_horizon > 0.5
    assert not {"midcourse.as_usual", "midcourse.faster"} & {note.code for note in found.notes}


def test_of_a_course_begun_elsewhere_it_is_said_that_its_pace_is_not_judged(forecaster):
    begun = replace(ENQUIRY, sessions_elsewhere=4)
    found = forecaster.update(begun, sessions_done=5, gradings=[(0, 34), (5, 36)]).remaining
    assert any("Whether it is slow is not judged." in str(note) for note in found.notes)
