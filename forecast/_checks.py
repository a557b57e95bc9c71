"""Numbers that rooms share, the defaults among them, and checks whose errors name the remedy."""

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import TypeVar

from forecast._notes import Sentence, problem_and_remedy, sentence
from forecast.errors import DataError, ForecastError, RequestError

T = TypeVar("T")
LONGEST_SHOWN = 60  # characters of what was given instead

# What is asked for unless something else is given.
HORIZON = 25  # the last session spoken of
LEVEL = 0.8  # what an interval is to cover
SHOWN_AT = (5, 10, 15)  # sessions by which chances are shown and judged
COMPARED_TO = 15  # the last session that a comparison speaks of

YEAR = 365.25  # days
MARGIN = 0.03  # below its level, from which the coverage of intervals is what failed
# With so many courses the coverage of an interval is known to less than a percentage point. On
# simulated logs the model chosen was the same as on twice as many, or one that predicts 0.001
# log points a session worse, the simpler of two that are hard to tell apart.
MOST_TO_CHECK = 5_000


def check_kind(value: object, kind: type[T] | tuple[type[T], ...], *, name: str, give: str) -> T:
    """Return ``value`` if it is of a kind, or raise RequestError; ``give`` says what to give."""
    if isinstance(value, kind):
        return value
    values = {"name": name, "given": shown(value), "give": give}
    raise RequestError(*problem_and_remedy("refused.kind", values))


def counted(number: float, word: str) -> str:
    """Return a number with its noun: "1 row", "1,003 rows", "0.5 sessions"."""
    return f"{number:,.10g} {word}{'' if number == 1 else 's'}"


def shown(value: object) -> str:
    """Return what was given as a message shows it: numbers as written, nothing long."""
    text = str(value) if isinstance(value, Decimal) else repr(value)
    return text if len(text) <= LONGEST_SHOWN else f"a {type(value).__name__}"


def check_seed(seed: int) -> int:
    """Return ``seed`` as an int from 0, or raise RequestError."""
    return check_whole_number(seed, name="seed")


def check_level(level: float, *, name: str = "level") -> float:
    """Return ``level`` as a float strictly between 0 and 1, or raise RequestError."""
    if isinstance(level, bool) or not isinstance(level, int | float) or not 0 < level < 1:
        values = {"name": name, "given": shown(level)}
        raise RequestError(*problem_and_remedy("refused.level", values))
    return float(level)


def check_whole_number(value: int, *, name: str, low: int = 0, high: int | None = None) -> int:
    """Return ``value`` as an int from ``low`` to ``high``, or raise RequestError."""
    whole = not isinstance(value, bool) and hasattr(value, "__index__")
    if not whole or value < low or (high is not None and value > high):
        values = {"name": name, "given": shown(value), "low": low, "high": high}
        code = "refused.from" if high is None else "refused.between"
        raise RequestError(*problem_and_remedy(code, values))
    return int(value)


def nearest(word: str, known: Iterable[str]) -> str:
    """Return `` Did you mean 'x'?`` for the known word closest to ``word``, or an empty text."""
    from difflib import get_close_matches  # which what is right does not need

    close = get_close_matches(str(word), list(known), n=1, cutoff=0.65)
    return sentence("reading.did_you_mean", {"word": close[0]}) if close else ""


def check_keys(
    given: Iterable[str],
    known: Sequence[str],
    file: str,
    where: str = "",
    error: type[ForecastError] = DataError,
) -> None:
    """Raise an ``error`` at the first key of a ``file`` that is not among those known."""
    unknown = [key for key in given if key not in known]
    if unknown:
        values = {"file": file, "key": unknown[0], "n": len(unknown), "known": tuple(known)}
        values |= {"where": where, "hint": nearest(unknown[0], known)}
        raise error(*problem_and_remedy("refused.unknown_key", values))


def refusal(error: ForecastError) -> Sentence:
    """Return the problem and the remedy of an error as one sentence."""
    return sentence("refused.refusal", {"problem": error.problem, "remedy": error.remedy})
