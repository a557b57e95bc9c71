"""What can go wrong, in two sentences: the problem and the remedy."""

__all__ = ["DataError", "FitError", "ForecastError", "RequestError"]


class ForecastError(ValueError):
    """Anything the package refuses to do; the base of the three kinds below.

    Parameters
    ----------
    problem : str
        What is wrong: which column, how many values, the first one.
    remedy : str
        What to do about it.
    """

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(f"{problem} {remedy}")
        self.problem = problem
        self.remedy = remedy

    def __reduce__(self) -> tuple[type["ForecastError"], tuple[str, str]]:
        return type(self), (self.problem, self.remedy)


class DataError(ForecastError):
    """The data cannot be used as they are: what is wrong and where, and what to do about it."""


class RequestError(ForecastError):
    """The question cannot be answered as it was put."""


class FitError(ForecastError):
    """The model could not be fitted to these data."""
