"""What is refused: the problem, then the remedy, in this process and from another."""

import pickle

import pytest

from forecast.errors import DataError, FitError, ForecastError, RequestError


@pytest.mark.parametrize("kind", [DataError, FitError, RequestError])
def test_an_error_says_problem_and_remedy_and_comes_whole_from_another_process(kind):
    error = kind("No rows.", "Give some.")
    for one in (error, pickle.loads(pickle.dumps(error))):
        assert type(one) is kind
        assert (one.problem, one.remedy) == ("No rows.", "Give some.")
        assert str(one) == "No rows. Give some."


def test_all_that_is_refused_can_be_caught_at_once():
    for kind in (DataError, FitError, RequestError):
        assert issubclass(kind, ForecastError)
        assert issubclass(kind, ValueError)
