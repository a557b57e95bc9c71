"""Has the world moved since the predictions were made: at once, and watched month by month."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.stats.multitest import multipletests

from forecast.assess import (
    Drift,
    Outcomes,
    Recalibration,
    assess_predictions,
    interval_coverage,
    recalibrate_out_of_fold,
)
from forecast.assess.assessment import _holm, threshold_for, verdicts, watch
from forecast.assess.calibration import Judged
from forecast.errors import DataError, RequestError
from forecast.survival import CountDistribution


def test_a_doubled_hazard_is_found_with_its_error(sample):
    drawn = sample(2000, seed=1)
    slower = CountDistribution(-np.diff(drawn.truth.survival() ** 0.5, prepend=1.0))
    found = Drift.of(slower, drawn.outcomes)
    assert abs(found.shift - np.log(2)) < 3 * found.shift_error
    assert abs(found.power - 1) < 3 * found.power_error
    assert found.p_value < 1e-6
    assert found.n_events == drawn.outcomes.n_events


@pytest.mark.slow
def test_no_drift_is_found_at_the_nominal_rate(sample):
    found = [
        Drift.of(each.truth, each.outcomes) for each in (sample(250, seed=s) for s in range(300))
    ]
    assert abs(np.mean([each.p_value < 0.05 for each in found]) - 0.05) < 3 * (0.0475 / 300) ** 0.5
    # The errors are those of repetition.
    for value, error in (("shift", "shift_error"), ("power", "power_error")):
        spread = np.std([getattr(each, value) for each in found])
        assert_allclose(np.mean([getattr(each, error) for each in found]), spread, rtol=0.15)


def test_the_shift_alone_is_the_log_of_observed_to_expected_hazard():
    # Constant hazard, two steps: H = .5 k. Predicted rate .5, every path seen to its event or
    # end; exponential data cut at 1 have the closed form log(-log(share left) / H).
    predicted = CountDistribution(-np.diff(np.tile(np.exp([-0.5, -1.0]), (100, 1)), prepend=1.0))
    first, second = 30, 28  # 70 left of 100, then 42 of 70: the same 30 % and 40 % hazards
    step = np.repeat([1, 2, 2], [first, second, 42])
    seen = Outcomes(step, np.repeat([True, True, False], [first, second, 42]))
    found = Drift.of(predicted, seen)
    repaired = Recalibration(found.shift, found.power).apply(predicted[:1])
    # Two parameters, two hazards: the fit is exact.
    assert_allclose(repaired.hazard()[0], [0.3, 0.4], atol=1e-4)


def test_paths_of_one_subject_count_once(sample):
    drawn = sample(300, seed=2)
    rows = np.repeat(np.arange(300), 3)
    seen = drawn.outcomes.take(rows)
    once = Drift.of(drawn.truth, drawn.outcomes)
    thrice = Drift.of(drawn.truth[rows], Outcomes(seen.step, seen.observed, subject=rows))
    assert_allclose([thrice.shift, thrice.power], [once.shift, once.power], atol=1e-4)
    assert_allclose(thrice.shift_error, once.shift_error, rtol=1e-3)


def test_next_to_no_events_are_refused():
    seen = Outcomes(np.ones(20, dtype=int), np.arange(20) < 4)
    with pytest.raises(DataError, match="4 events"):
        Drift.of(CountDistribution(np.full((20, 3), 0.2)), seen)


def value(assessment, metric, step=None):
    scores = assessment.scores
    at = scores["step"].isna() if step is None else scores["step"] == step
    return scores.loc[(scores["metric"] == metric) & at.fillna(False), "value"].item()


def test_the_truth_passes_in_every_respect(sample):
    drawn = sample(1500, seed=1)
    groups = {"a": drawn.covariates[:, 0], "b": drawn.covariates[:, 1]}
    found = assess_predictions(drawn.truth, drawn.outcomes, groups=groups, replicates=20)
    assert (found.subgroups["verdict"] == "holds").all()
    assert found.subgroups["factor"].tolist() == ["a", "a", "b", "b"]
    assert abs(found.coverage.tie_split - 0.8) < 3 * found.coverage.tie_split_error
    for metric, step, target in (("observed_to_expected", None, 1), ("calibration_slope", 5, 1)):
        row = found.scores[found.scores["metric"] == metric]
        row = row if step is None else row[row["step"] == step]
        assert abs(row["value"].item() - target) < 3 * row["standard_error"].item()
    assert value(found, "d_calibration_p") > 0.01
    assert (found.n_paths, found.n_subjects) == (1500, 1500)
    assert found.n_events == drawn.outcomes.n_events


def test_a_group_predicted_far_too_early_fails_and_a_small_one_cannot_say(sample):
    drawn = sample(1200, seed=2)
    group = np.where(np.arange(1200) < 12, "rare", np.where(np.arange(1200) % 2, "odd", "even"))
    hazard = drawn.truth.hazard()
    hazard[group == "odd"] = 1 - (1 - hazard[group == "odd"]) ** 2.5
    found = assess_predictions(
        CountDistribution.from_hazard(hazard), drawn.outcomes, groups={"g": group}, replicates=0
    )
    verdicts = dict(zip(found.subgroups["label"], found.subgroups["verdict"], strict=True))
    assert verdicts == {"odd": "fails", "even": "holds", "rare": "cannot say"}


def test_standard_errors_resample_subjects(sample):
    # The same paths twice under one subject carry no more information than once.
    drawn = sample(250, seed=4)
    rows = np.repeat(np.arange(250), 2)
    seen = drawn.outcomes.take(rows)
    doubled = Outcomes(seen.step, seen.observed, subject=rows)
    once = assess_predictions(drawn.truth, drawn.outcomes, replicates=100)
    twice = assess_predictions(drawn.truth[rows], doubled, replicates=100, seed=1)
    for metric in ("log_score", "crps"):
        errors = [
            each.scores.set_index("metric").loc[metric, "standard_error"] for each in (once, twice)
        ]
        assert 0.75 < errors[0] / errors[1] < 1.33


def test_steps_without_support_are_left_out_and_named(sample):
    drawn = sample(80, seed=5, drop_out=0.3)
    found = assess_predictions(drawn.truth, drawn.outcomes, steps=(3, 20), replicates=0)
    assert set(found.scores["step"].dropna()) == {3}
    assert any("fewer than five" in str(message) for message in found.messages)


def test_the_correction_of_a_path_did_not_see_it(sample):
    # Take one path's event away: only paths of other folds may be predicted differently.
    drawn = sample(200, seed=6)
    wrong = CountDistribution.from_hazard(drawn.truth.hazard() * 0.5)
    before, whole = recalibrate_out_of_fold(wrong, drawn.outcomes, n_folds=5)
    assert_allclose(
        [whole.shift, whole.power],
        [(lone := Judged.of(wrong, drawn.outcomes).recalibration()).shift, lone.power],
    )
    path = int(np.flatnonzero(drawn.outcomes.observed)[0])
    step = drawn.outcomes.step.copy()
    step[path] = 25 if step[path] < 12 else 1
    after, _ = recalibrate_out_of_fold(wrong, Outcomes(step, drawn.outcomes.observed), n_folds=5)
    changed = np.abs(after.pmf - before.pmf).max(axis=1) > 1e-9
    assert not changed[path]
    assert changed.sum() == 160


def test_recalibration_out_of_fold_repairs_the_coverage(sample):
    drawn = sample(800, seed=7)
    wrong = CountDistribution(-np.diff(drawn.truth.survival() ** 3, prepend=1.0))
    groups = {"a": drawn.covariates[:, 0]}
    corrected, _ = recalibrate_out_of_fold(wrong, drawn.outcomes, groups=groups)
    first = assess_predictions(wrong, drawn.outcomes, replicates=0).coverage
    then = assess_predictions(corrected, drawn.outcomes, replicates=0).coverage
    assert first.tie_split < 0.7
    assert abs(then.tie_split - 0.8) < 3 * then.tie_split_error


def test_nothing_to_assess_is_refused(sample):
    with pytest.raises(RequestError, match="No predictions"):
        assess_predictions(CountDistribution(np.zeros((0, 5))), sample(5, seed=0).outcomes)


def alike(rng: np.random.Generator, n_subjects: int, each: int):
    """Paths alike within subjects, and their true distribution averaged over subjects."""
    owner = np.repeat(np.arange(n_subjects), each)
    rate = 0.12 * rng.gamma(4, 0.25, n_subjects)[owner]
    happens = np.ceil(rng.exponential(1 / rate)).astype(int)
    watched = rng.geometric(0.06, len(owner))
    truth = (1 + 0.03 * np.arange(1, 26)) ** -4.0  # a gamma mixture of exponentials
    predicted = CountDistribution(-np.diff(np.repeat(truth[None], len(owner), axis=0), prepend=1.0))
    return predicted, Outcomes(np.minimum(happens, watched), happens <= watched, subject=owner)


@pytest.mark.slow
@pytest.mark.parametrize("each", [1, 3])
def test_a_true_promise_fails_in_some_group_in_at_most_one_log_of_twenty(each):
    failed = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        predicted, seen = alike(rng, 480 // each, each)
        groups = {
            name: np.repeat(rng.integers(0, 3, 480 // each), each) for name in ("a", "b", "c", "d")
        }
        found = assess_predictions(predicted, seen, groups=groups, replicates=0).subgroups
        assert len(found) == 12
        failed += (found["verdict"] == "fails").any()
    # 5 % and two and a half binomial errors; one by one, a group failed in four logs of ten
    assert failed / 100 < 0.05 + 2.5 * np.sqrt(0.05 * 0.95 / 100)


def test_a_group_that_looks_bad_by_itself_only_is_not_said_to_hold(sample):
    drawn = sample(900, seed=5)
    good = interval_coverage(drawn.truth, drawn.outcomes)
    off, fine = (1.25, 0.1), (1.0, 0.1)  # p = .012: by itself a finding, among six groups none
    assert verdicts([good], [off]) == ["fails"]
    assert verdicts([good] * 6, [fine] * 5 + [off]) == ["holds"] * 5 + ["cannot say"]
    few = replace(good, n_events=19)
    assert verdicts([good] + [few] * 9, [off] * 10) == ["fails"] + ["cannot say"] * 9


def test_a_promise_that_is_wrong_by_half_is_found_among_twelve_groups(sample):
    drawn = sample(1500, seed=3)
    hazard = drawn.truth.hazard()
    wrong = np.arange(1500) % 12 == 4
    hazard[wrong] = 1 - (1 - hazard[wrong]) ** 2
    found = assess_predictions(
        CountDistribution.from_hazard(hazard),
        drawn.outcomes,
        groups={"g": np.arange(1500) % 12},
        replicates=0,
    ).subgroups
    assert found.loc[found["verdict"] == "fails", "label"].tolist() == ["4"]


def test_adjusted_chances_are_those_of_statsmodels():
    chances = np.array([0.04, 0.001, 0.04, 0.6, 0.012, 0.9, 0.0])
    assert_allclose(_holm(chances), multipletests(chances, method="holm")[1], rtol=1e-14)
    assert _holm(np.empty(0)).shape == (0,)


SLOWER = 1.15**-2.5  # hazards where 15 % more sessions are needed and counts are Weibull, shape 2.5


def test_the_score_is_the_ratio_of_likelihoods_held_at_zero():
    days = np.array(["2026-01-03", "2026-01-20", "2026-03-05"], dtype="datetime64[D]")
    hazard, came = np.array([0.5, 0.5, 0.4]), np.array([True, False, False])
    many = 30  # subjects alike, so that enough is expected
    found = watch(np.tile(days, many), np.tile(hazard, many), np.tile(came, many), ratio=0.7)
    assert found.table["month"].tolist() == ["2026-01", "2026-02", "2026-03"]
    assert found.table["seen"].tolist() == [30, 0, 0]
    assert found.table["expected"].tolist() == pytest.approx([30.0, 0.0, 12.0])
    january = np.log((1 - 0.5**0.7) / 0.5) + np.log(0.5**0.7 / 0.5)
    march = np.log(0.6**0.7 / 0.6)
    first = max(many * january, 0.0)
    assert found.table["score"].tolist() == pytest.approx([first, first, first + many * march])


def test_too_little_to_watch_and_what_is_no_chance():
    day = np.array(["2026-01-03"], dtype="datetime64[D]")
    assert watch(day, [0.2], [True], ratio=0.7) is None
    with pytest.raises(DataError, match="no chance"):
        watch(day, [1.2], [True], ratio=0.7)


def test_a_busier_clinic_has_a_higher_threshold():
    assert threshold_for(200, SLOWER) < threshold_for(2000, SLOWER)


def clinic(rng, months, *, slow_from=None):
    """Return steps of 25 starts a month, eight weeks apart, watched as long as they run."""
    hazard = np.diff(1 - np.exp(-((np.arange(26) / 9.0) ** 2.5)))
    hazard = hazard / np.append(1.0, 1 - np.cumsum(hazard)[:-1])
    rows = []
    for start in rng.uniform(-24, months, int(25 * (months + 24))):
        for k in range(25):
            month = start + k * 56 / 30.4
            if month >= months or (k and rng.random() < 0.03):
                break
            slower = slow_from is not None and month >= slow_from
            chance = 1 - (1 - hazard[k]) ** (SLOWER if slower else 1.0)
            came = rng.random() < chance
            if month >= 0:
                rows.append((month, hazard[k], came))
            if came:
                break
    month, predicted, came = np.array(rows).T
    return np.datetime64("2020-01-01") + (30.4 * month).astype(int), predicted, came > 0


@pytest.mark.slow
def test_it_cries_wolf_at_most_once_in_five_years_and_finds_a_slowdown_within_nine_months():
    rng = np.random.default_rng(8)
    quiet = [watch(*clinic(rng, 60), ratio=SLOWER).signal for _ in range(60)]
    # once in five years on average: a run of five years has one with chance 1 - 1/e
    false = np.mean([one is not None for one in quiet])
    assert false <= 0.63 + 2 * (0.63 * 0.37 / 60) ** 0.5
    found = []
    for _ in range(60):
        seen = watch(*clinic(rng, 60, slow_from=40), ratio=SLOWER).table
        late = seen.iloc[40:]
        beyond = late.index[late["score"] > threshold_for(1200, SLOWER)]
        found.append(beyond[0] - 40 + 1 if len(beyond) else 99)
    assert np.median(found) <= 9
    assert np.mean(np.array(found) <= 9) >= 0.75
