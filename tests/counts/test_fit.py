"""What a log gives to fit to: of a large one a part."""

import numpy as np
import pandas as pd
import pytest

from forecast._checks import MOST_TO_CHECK
from forecast.counts import LogSummary, course_rows, durations_of
from forecast.counts.fit import judged_part, some_clients
from forecast.invented import simulate_log
from forecast.log import OutcomeLog


def ready(log):
    rows = course_rows(log)
    means = LogSummary.of(log, rows).means
    log, rows = judged_part(log, rows)
    return log, rows, durations_of(rows, means)


@pytest.fixture(scope="module")
def large():
    """More courses than are checked, by repeating a clinic under new ids."""
    log = simulate_log(600, seed=1)
    copies = []
    for copy in range(MOST_TO_CHECK // 600 + 2):
        more = log.courses.copy()
        for name in ("course_id", "client_id"):
            more[name] = f"{copy}-" + more[name].astype(str)
        copies.append(more)
    return ready(OutcomeLog.from_frames(pd.concat(copies, ignore_index=True)))


def test_a_small_log_comes_back_as_it_is():
    small = ready(simulate_log(50, seed=2))
    assert all(one is other for one, other in zip(some_clients(*small, seed=1), small, strict=True))


def test_a_part_holds_whole_clients_and_nearly_as_many_courses_as_allowed(large):
    log, rows, durations = some_clients(*large, seed=1)
    assert MOST_TO_CHECK - 20 <= len(rows) <= MOST_TO_CHECK
    assert len(log.courses) == len(rows) == len(durations)
    outside = large[1][~large[1]["course_id"].isin(rows["course_id"])]
    assert not set(outside["client_id"]) & set(rows["client_id"])


def test_log_rows_and_durations_of_a_part_stay_in_step(large):
    log, rows, durations = some_clients(*large, seed=1)
    assert (log.courses["course_id"] == rows["course_id"]).all()
    assert np.array_equal(durations.step, rows["step"])
    assert np.array_equal(durations.observed, rows["observed"])


def test_the_part_follows_from_the_seed_and_is_like_the_whole(large):
    one, same, other = (some_clients(*large, seed=seed)[1] for seed in (1, 1, 2))
    assert one.equals(same)
    assert not one.equals(other)
    share, n = large[1]["observed"].mean(), len(one)
    assert abs(one["observed"].mean() - share) < 5 * np.sqrt(share * (1 - share) / n)
