"""First passages: paths of known law, and the algebra of weighing chances."""

import json
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import multivariate_normal

from forecast._plain import plain, read
from forecast.errors import DataError
from forecast.survival.first_passage import PassageBridge

BRIDGE = PassageBridge(
    threshold=3.0, pace=0.95, wander=0.06, power=1.0, error=0.01, lengths=(5.0, 8.0, 12.0)
)


def test_the_density_is_that_of_a_bridge_measured_with_error():
    at, seen = np.array([1.0, 2.0, 5.0]), np.array([0.4, 0.7, 1.9])
    for passage in (6.0, 9.0):
        length = passage - 0.5
        mean = 3.0 * 0.95 * at / length
        variance = 0.06 * 3.0 / length  # per step, power 1
        low, high = np.minimum.outer(at, at), np.maximum.outer(at, at)
        spread = variance * low * (1 - high / length) + 0.01 * np.eye(3)
        expected = multivariate_normal.logpdf(seen, mean, spread)
        assert_allclose(BRIDGE.log_likelihood(at, seen, [passage]), [expected])


def test_a_bent_bridge_is_an_even_one_in_a_power_of_the_time():
    at, seen = np.array([1.0, 2.0, 5.0]), np.array([0.4, 0.7, 1.9])
    bent = replace(BRIDGE, bend=0.6).log_likelihood(at, seen, [9.0])
    even = BRIDGE.log_likelihood(8.5 * (at / 8.5) ** 0.6, seen, [9.0])
    assert_allclose(bent, even)


def test_slopes_are_those_of_the_likelihood():
    rng = np.random.default_rng(7)
    steps = np.array([[1, 3, 6, np.nan], [2, 4, np.nan, np.nan], [1, 2, 5, 9.0]])
    seen, passage = rng.uniform(0, 2, steps.shape), np.array([8.0, 5.0, 14.0])
    at = np.array([0.05, -2.0, 1.2, -3.5, -0.2])

    def scored(place):
        return PassageBridge.of(place, 3.0, (5.0, 8.0))._score(steps, seen, passage)

    value, slope, _ = scored(at)
    own = PassageBridge.of(at, 3.0, (5.0, 8.0))
    known = [~np.isnan(row) for row in steps]
    each = [
        own.log_likelihood(row[there], level[there], [end])[0]
        for row, level, there, end in zip(steps, seen, known, passage, strict=True)
    ]
    assert value == pytest.approx(sum(each))
    moves = 1e-5 * np.eye(5)
    by_hand = [(scored(at + move)[0] - scored(at - move)[0]) / 2e-5 for move in moves]
    assert_allclose(slope, by_hand, rtol=1e-5)


def test_the_odds_of_never_passing_come_from_all_paths():
    # before: each never passes with .1; in truth three in ten do not, and levels tell them well
    rng = np.random.default_rng(8)
    never = rng.random(3000) < 0.3
    ratio = np.exp(np.where(never, 2.0, -2.0) + rng.normal(size=3000) * 2)  # normal, 4 apart
    after = 0.1 * ratio / (0.1 * ratio + 0.9)
    odds = BRIDGE.with_odds(np.full(3000, 0.1), after).odds
    assert odds == pytest.approx((0.3 / 0.7) / (0.1 / 0.9), rel=0.15)
    chances, level = np.full(20, 0.045), [0.5, 0.9, 1.1]
    more = replace(BRIDGE, odds=5.0).posterior(chances, 6, [2, 4, 6], level)
    assert more.sum() < BRIDGE.posterior(chances, 6, [2, 4, 6], level).sum()


def test_chances_are_weighed_by_how_well_the_levels_fit():
    chances = np.array([0.3, 0.2, 0.1])
    found = BRIDGE.posterior(chances, 2, [1.0, 2.0], [0.5, 1.0])
    fits = np.exp(BRIDGE.log_likelihood([1.0, 2.0], [0.5, 1.0], [3.0, 4.0, 5.0]))
    known = 0.9 * chances + 0.1 * np.array([0, 0, 1])  # paths took 5 to 12, three or more are left
    assert_allclose(found / found[0], known * fits / (known[0] * fits[0]))
    assert found.sum() <= 1


def test_a_bridge_that_is_half_believed_counts_the_levels_by_the_root_of_their_likelihood():
    chances = np.array([0.3, 0.2, 0.1])
    found = BRIDGE.posterior(chances, 2, [1.0, 2.0], [0.5, 1.0], belief=0.5)
    fits = np.exp(BRIDGE.log_likelihood([1.0, 2.0], [0.5, 1.0], [3.0, 4.0, 5.0]) / 2)
    known = 0.9 * chances + 0.1 * np.array([0, 0, 1])
    assert_allclose(found / found[0], known * fits / (known[0] * fits[0]))
    unheeded = BRIDGE.posterior(chances, 2, [1.0], [0.5], belief=0)
    assert_allclose(unheeded, known)


def test_a_path_quicker_than_was_thought_passes_soon_and_is_not_one_that_never_does():
    late = np.zeros(20)
    late[12:] = 0.05  # 16 steps or more, and 6 in 10 that it never passes
    steps = np.arange(1.0, 5)
    beyond = [1 - BRIDGE.posterior(late, 4, steps, pace * steps).sum() for pace in (0.3, 0.5, 0.7)]
    assert beyond[2] < 0.05
    assert beyond == sorted(beyond, reverse=True)


@pytest.mark.parametrize(("done", "part"), [(10, 0.1), (11, 0.03), (12, 0.03), (20, 0.03)])
def test_once_the_usual_steps_are_over_less_may_be_wrong_and_not_all_of_it_next(done, part):
    # paths took 5 to 12: after ten there are two steps of these, after that the next two count
    chances = np.full(20, 0.02)
    found = BRIDGE.posterior(chances, done, [4.0], [1.0], belief=0)
    assert_allclose(found, (1 - part) * chances + part * np.array([0.5, 0.5, *[0] * 18]))


def test_the_next_step_keeps_its_promise_to_paths_that_outlast_the_usual_steps():
    fitted = PassageBridge.fit(*simulated(250, 1), threshold=3.0)
    steps, levels, passage = simulated(4000, 2)
    before = np.bincount(passage, minlength=61)[1:] / len(passage)
    said, came = [], []
    for done in range(int(max(fitted.lengths)), 17):
        chances = before[done:40] / before[done:].sum()
        for path in np.flatnonzero(passage > done):
            seen = steps[path, :done], levels[path, :done]
            said.append(fitted.posterior(chances, done, *seen)[0])
            came.append(passage[path] == done + 1)
    assert len(said) > 500
    assert np.mean(said) == pytest.approx(np.mean(came), abs=0.01)  # .022 with a tenth on it


def test_without_levels_the_chances_stay_as_they_are():
    chances = np.array([0.3, 0.2, 0.1])
    assert BRIDGE.posterior(chances, 2, [], []) is chances


def test_a_fast_path_passes_soon_and_a_slow_one_late():
    chances = np.full(20, 0.05)
    steps = np.arange(20)
    fast = BRIDGE.posterior(chances, 4, [1, 2, 3, 4], [0.5, 1.0, 1.5, 2.0])
    slow = BRIDGE.posterior(chances, 4, [1, 2, 3, 4], [0.2, 0.4, 0.6, 0.8])
    assert fast @ steps < 3
    assert slow @ steps / slow.sum() > 8


def test_each_draw_is_weighed_as_if_alone():
    rng = np.random.default_rng(1)
    draws = rng.dirichlet(np.ones(11), size=5)[:, :10]
    together = BRIDGE.posterior(draws, 3, [3], [1.0])
    alone = [BRIDGE.posterior(one, 3, [3], [1.0]) for one in draws]
    assert_allclose(together, alone)


def test_many_rows_are_weighed_as_each_would_be_alone():
    rng = np.random.default_rng(2)
    chances = rng.dirichlet(np.ones(11), size=4)[:, :10]
    steps = np.array([[1.0, 2.0, 5.0], [3.0, np.nan, np.nan]])
    seen = np.array([[0.4, 0.7, 1.9], [1.0, np.nan, np.nan]])
    done, path, upto = np.array([1, 2, 6, 4]), np.array([0, 0, 0, 1]), np.array([1, 2, 3, 1])
    together, stays = BRIDGE.posteriors(chances, done, path, upto, (steps, seen))
    assert ((stays > 0) & (stays + together.sum(axis=1) < 1)).all()
    for row, found in enumerate(together):
        own = steps[path[row], : upto[row]], seen[path[row], : upto[row]]
        assert_allclose(found, BRIDGE.posterior(chances[row], done[row], *own))


def test_impossible_levels_leave_a_distribution():
    chances = np.array([0.5, 0.3, 0.1])
    for level in (-50.0, 0.0, 50.0):
        found = BRIDGE.posterior(chances, 3, [1, 2, 3], [level] * 3)
        assert np.isfinite(found).all()
        assert (found >= 0).all()
        assert found.sum() <= 1 + 1e-12


def held_up(steps, ceiling, rate):
    """Return the levels of a path whose part exp(-ceiling) never goes."""
    stays = np.exp(-ceiling)
    return -np.log(stays + (1 - stays) * np.exp(-rate * np.asarray(steps)))


def test_a_path_that_never_passes_is_likeliest_at_its_own_ceiling_and_rate():
    steps = np.arange(1.0, 13)
    found = BRIDGE.log_likelihood_never(steps, held_up(steps, 0.6 * 3.0, 0.95 * 3.0 / 7.5))
    # ceilings .1, .25, .4, .5, .6, ... of the threshold by three lengths and two more: the fifth,
    # with length 8
    assert found.argmax() == 4 * 5 + 1


def test_its_density_is_the_normal_law_of_the_curve_it_follows():
    steps, seen = np.array([2.0, 5.0]), np.array([0.8, 1.1])
    stays, rate = np.exp(-0.25 * 3.0), 3.0 / 4.5  # the second ceiling, the first length
    goes = (1 - stays) * np.exp(-0.95 * rate * steps)
    shows = goes / (stays + goes)
    spread = 0.06 * rate * np.minimum.outer(steps, steps) * np.outer(shows, shows)
    expected = multivariate_normal.logpdf(seen, -np.log(stays + goes), spread + 0.01 * np.eye(2))
    assert BRIDGE.log_likelihood_never(steps, seen)[5] == pytest.approx(expected)


def test_levels_that_stand_still_make_never_likelier_and_the_passage_later():
    chances = np.full(20, 0.045)  # one in ten is later, or never
    steps = np.arange(1.0, 11)
    climbing = BRIDGE.posterior(chances, 10, steps, 0.2 * steps)
    still = BRIDGE.posterior(chances, 10, steps, held_up(steps, 1.8, 0.5))
    assert 1 - climbing.sum() < 0.1 < 0.8 < 1 - still.sum()


def test_the_rank_of_a_level_is_even_among_paths_of_the_law():
    # paths that pass at a step drawn from the chances, none of them later or never
    rng = np.random.default_rng(5)
    chances = np.full(10, 0.1)
    passage = rng.integers(5, 15, 4000)
    length = passage - 0.5
    variance = 0.06 * 3.0 / length * 4 * (1 - 4 / length) + 0.01
    level = 3.0 * 0.95 * 4 / length + np.sqrt(variance) * rng.normal(size=4000)
    ranks = np.array([BRIDGE.rank(chances, 4, 4, one) for one in level])
    assert np.quantile(ranks, [0.1, 0.5, 0.9]) == pytest.approx([0.1, 0.5, 0.9], abs=0.025)


def test_a_rank_takes_later_and_never_for_equally_likely():
    surely, half, none = (total * np.full(10, 0.1) for total in (1.0, 0.5, 0.0))
    passes, not_yet, both = (BRIDGE.rank(one, 4, 4.0, 1.6) for one in (surely, none, half))
    weight = (1 + BRIDGE.odds) / 2  # of what is missing, half passes later and half never
    assert passes != pytest.approx(not_yet, rel=0.1)
    assert both == pytest.approx((passes + weight * not_yet) / (1 + weight))


def simulated(n, seed):
    """Return padded paths of a random walk with drift up to, not with, their first passage."""
    rng = np.random.default_rng(seed)
    drift = np.exp(rng.normal(np.log(0.35), 0.25, n))
    level = np.cumsum(drift[:, None] + rng.normal(0, 0.1, (n, 60)), axis=1)
    passage = (level >= 3.0).argmax(axis=1) + 1
    steps = np.tile(np.arange(1.0, 61), (n, 1))
    steps[steps >= passage[:, None]] = np.nan
    return (
        steps,
        np.where(np.isnan(steps), np.nan, level + rng.normal(0, 0.08, level.shape)),
        passage,
    )


def test_known_wandering_and_error_come_back():
    steps, levels, passage = simulated(250, 1)
    fitted = PassageBridge.fit(steps, levels, passage, threshold=3.0)
    assert fitted.error == pytest.approx(0.08**2, rel=0.25)
    per_step = fitted.wander * (3.0 / 8.5) ** fitted.power
    assert per_step == pytest.approx(0.1**2, rel=0.25)


def test_the_weighed_chances_keep_their_promise_on_new_paths():
    fitted = PassageBridge.fit(*simulated(250, 1), threshold=3.0)
    steps, levels, passage = simulated(2000, 2)
    before = np.bincount(passage, minlength=61)[1:] / len(passage)
    done = 4
    going = np.flatnonzero(passage > done)
    chances = before[done:40] / before[done:].sum()
    found = np.array(
        [fitted.posterior(chances, done, steps[i, :done], levels[i, :done]) for i in going]
    )
    left = passage[going] - done
    rank = np.cumsum(found, axis=1)
    at = np.arange(len(going))
    low = np.where(left > 1, rank[at, np.maximum(left - 2, 0)], 0.0)
    drawn = low + np.random.default_rng(3).random(len(left)) * (rank[at, left - 1] - low)
    inside = ((drawn > 0.1) & (drawn < 0.9)).mean()
    # randomised ranks of a right model are uniform; 80 % inside, standard error 0.9 points
    assert inside == pytest.approx(0.8, abs=0.035)


def test_it_travels_as_json_and_refuses_paths_never_measured():
    stored = json.loads(json.dumps(plain(BRIDGE)))
    assert stored["lengths"] == [5.0, 8.0, 12.0]
    assert read(PassageBridge, stored) == BRIDGE
    with pytest.raises(DataError, match="levels on the way"):
        PassageBridge.fit(np.full((2, 3), np.nan), np.full((2, 3), np.nan), [4, 5], threshold=3.0)
