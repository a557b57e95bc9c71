"""The watch from month to month: by hand, and how often it cries wolf and how soon it finds."""

import numpy as np
import pytest

from forecast.assess.monitoring import threshold_for, watch
from forecast.errors import DataError

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
