"""A number read off a log, and how it moves when other clients had come."""

import json
from dataclasses import replace

import numpy as np
import pytest

import forecast
from forecast.errors import DataError, RequestError
from forecast.forecaster.resampled import _drawn


def share_cleared(log):
    return (log.courses["outcome"] == "cleared").mean()


def test_the_error_of_a_share_is_the_textbook_one_of_clients(invented_log):
    one_each = invented_log.where(~invented_log.courses["client_id"].duplicated())
    found = forecast.bootstrap(one_each, share_cleared, replicates=200)
    share, n = share_cleared(one_each), len(one_each.courses)
    assert found.estimate == share
    assert found.error == pytest.approx((share * (1 - share) / n) ** 0.5, rel=0.15)
    low, high = found.interval
    assert high - low == pytest.approx(2 * 1.96 * found.error, rel=0.15)
    few, again = (forecast.bootstrap(one_each, share_cleared, replicates=10) for _ in range(2))
    assert few == again
    assert json.loads(json.dumps(found.to_dict()))["clients"] == n


def test_courses_of_one_client_are_drawn_together(invented_log):
    of_five = invented_log.courses["client_id"].factorize()[0] // 5
    shared = replace(
        invented_log, courses=invented_log.courses.assign(client_id=of_five.astype(str))
    )
    apart = forecast.bootstrap(invented_log, share_cleared, replicates=50)
    together = forecast.bootstrap(shared, share_cleared, replicates=50)
    assert together.clients < apart.clients


def test_a_client_drawn_twice_stands_there_as_two_with_all_of_theirs(invented_log):
    times = np.zeros(len(invented_log.courses), dtype=int)
    times[[0, 3]] = 2, 1
    drawn = _drawn(invented_log, times)
    first, other = invented_log.courses["course_id"][[0, 3]]
    assert [*drawn.courses["course_id"]] == [first, f"{first}~1", other]
    assert drawn.courses["client_id"].nunique() == 3
    for name in ("sessions", "gradings", "reactions"):
        before, after = (getattr(log, name)["course_id"] for log in (invented_log, drawn))
        assert (after == f"{first}~1").sum() == (before == first).sum()
        assert (after == other).sum() == (before == other).sum()
    whole = _drawn(invented_log, np.ones_like(times))
    for name in ("courses", "sessions", "gradings", "reactions"):
        assert getattr(whole, name).equals(getattr(invented_log, name)), name


def test_few_clients_no_spread_and_unanswered_resamples_give_no_interval(invented_log):
    def mostly_refuses(log):
        if len(log.courses) != len(invented_log.courses):
            raise DataError("No.", "Never.")
        return 1.0

    alone = replace(invented_log, courses=invented_log.courses.assign(client_id="P1"))
    for log, statistic in (
        (alone, share_cleared),
        (invented_log, lambda _: 2),
        (invented_log, mostly_refuses),
    ):
        found = forecast.bootstrap(log, statistic, replicates=20)
        assert found.interval == (None, None)
        assert found.error is None
    assert found.unanswered > 2


@pytest.mark.parametrize("given", [float("nan"), None, "many"])
def test_a_statistic_that_is_no_number_is_refused(invented_log, given):
    with pytest.raises(RequestError, match="no finite number"):
        forecast.bootstrap(invented_log, lambda _: given, replicates=10)
