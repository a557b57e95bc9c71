"""A difference, the verdict on it, and the reasons for *cannot say*, in one place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, Literal

# What counts as too few, too large or worth a note in a comparison.
LEAST_AT_RISK = 5  # courses at risk at the last session used
LEAST_FOLLOWERS = 10
LEAST_PAIRS = 10  # of halves of split tattoos
WISHED_FOLLOWERS = 20
LEAST_EFFECTIVE = 30.0
LEAST_CLEARED = 5
LEAST_CLIENTS = 20  # resamples of fewer clients have no spread to go by
LARGEST_WEIGHT = 20.0
LEAST_EFFECTIVE_SHARE = 0.3
LARGEST_IMBALANCE = 0.1
MANY_UNCLEARED = 0.2
DETECTABLE = 2.8  # standard errors: 1.96 for the interval and 0.84 for a chance of 8 in 10
NO_ERROR = 1e-9  # sessions
Verdict = Literal["saves", "costs", "equivalent", "cannot say"]


@dataclass(frozen=True, slots=True)
class Contrast:
    """One difference, left strategy minus right.

    Attributes
    ----------
    estimate : float or None
        None where it cannot be estimated.
    interval : tuple of float, or of None
        At ``level``.
    level : float
    error : float or None
        Standard error: standard deviation over bootstrap replicates.
    """

    estimate: float | None
    interval: tuple[float, float] | tuple[None, None]
    level: float
    error: float | None = None

    @classmethod
    def missing(cls, level: float) -> Contrast:
        """Return the contrast that cannot be estimated."""
        return cls(None, (None, None), level)

    @classmethod
    def normal(cls, estimate: float, error: float, level: float) -> Contrast:
        """Return the contrast with its normal interval."""
        reach = NormalDist().inv_cdf((1 + level) / 2) * error
        return cls(estimate, (estimate - reach, estimate + reach), level, error)

    def at_level(self, level: float) -> tuple[float, float] | tuple[None, None]:
        """Return the normal interval at another level."""
        if self.estimate is None or self.error is None:
            return (None, None)
        return Contrast.normal(self.estimate, self.error, level).interval

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {"estimate": self.estimate, "interval": list(self.interval), "level": self.level}


@dataclass(frozen=True, slots=True)
class NaiveReading:
    """What a plain reading of the log says, and why it differs.

    Attributes
    ----------
    name : str
    difference : dict of str to Contrast
    why : str
        One sentence.
    """

    name: str
    difference: Mapping[str, Contrast]
    why: str


@dataclass(frozen=True, slots=True)
class Supported:
    """The answer up to the last session that the log supports, when the one asked is beyond."""

    horizon: int
    contrast: Contrast
    verdict: Verdict


def verdict_of(contrast: Contrast, margin: float) -> Verdict:
    """Return the verdict code of a difference in sessions.

    ``saves`` and ``costs`` by the 95 % interval, ``equivalent`` by the 90 % interval inside plus
    and minus the margin, whatever level the contrast itself is shown at.

    Examples
    --------
    >>> verdict_of(Contrast.normal(-1.0, 0.3, 0.95), margin=1.0)
    'saves'
    >>> verdict_of(Contrast.normal(-0.2, 0.3, 0.95), margin=1.0)
    'equivalent'
    >>> verdict_of(Contrast.missing(0.95), margin=1.0)
    'cannot say'
    """
    low, high = contrast.at_level(0.95)
    if low is None or high is None or without_width(contrast):
        return "cannot say"
    if high < 0:
        return "saves"
    if low > 0:
        return "costs"
    return "equivalent" if within_margin(contrast, margin) else "cannot say"


def without_width(contrast: Contrast) -> bool:
    """Return whether the resamples gave one and the same number, but for rounding."""
    return contrast.error is not None and contrast.error < NO_ERROR


def within_margin(contrast: Contrast, margin: float) -> bool:
    """Return whether the 90 % interval lies inside plus and minus the margin."""
    low, high = contrast.at_level(0.9)
    return low is not None and high is not None and -margin < low and high < margin


def words_for(key: str, contrast: Contrast, verdict: str, *, horizon: int, margin: float) -> str:
    """Return the sentence for a person."""
    left, right = key.split(" - ")
    if contrast.estimate is None:
        return (
            f"Cannot say whether {left} needs fewer sessions than {right} up to session {horizon}: "
            "too few courses followed one of them that far."
        )
    low, high = contrast.at_level(0.95)
    assert low is not None  # an estimate always comes with its error
    assert high is not None
    span = f"{_sessions(contrast.estimate)} (95 % interval {_span(low, high)})"
    start = f"Up to session {horizon}, {left} against {right}: {span}."
    if verdict == "saves":
        return f"{start} {left} saves sessions."
    if verdict == "costs":
        return f"{start} {left} costs sessions."
    if verdict == "equivalent":
        return f"{start} Up to there any difference is below {margin:g} session(s)."
    if high < 0 or low > 0 or without_width(contrast):  # the interval alone would have spoken
        return f"{start} No verdict is given, for reasons in the notes."
    return f"{start} The log cannot say which is better: it fits anything in that interval."


def _sessions(value: float) -> str:
    return f"{abs(value):.1f} session(s) {'fewer' if value < 0 else 'more'}"


def _span(low: float, high: float) -> str:
    if high < 0:
        return f"{-high:.1f} to {-low:.1f} fewer"
    if low > 0:
        return f"{low:.1f} to {high:.1f} more"
    return f"{-low:.1f} fewer to {high:.1f} more"


def reasons_for(
    contrast: Contrast, margin: float, *, shortfalls: Sequence[str] = ()
) -> tuple[str, ...]:
    """Return the codes of what keeps a verdict back; empty where nothing does.

    ``no_estimate``: too few courses are followed up to the horizon. ``too_few_cleared``,
    ``too_few_clients``, ``too_few_effective``: under one of the strategies. ``operators_apart``:
    hands and regimes cannot be told apart. ``zero_width``: the interval has none.
    ``interval_covers_margin``: the interval reaches past zero and past the margin. Those that come
    from the courses rather than from the difference are given as ``shortfalls``.
    """
    found = [*shortfalls] if contrast.estimate is not None else ["no_estimate", *shortfalls]
    if without_width(contrast):
        found.append("zero_width")
    elif contrast.estimate is not None and verdict_of(contrast, margin) == "cannot say":
        found.append("interval_covers_margin")
    return tuple(found)


def shortfalls_of(
    cleared: Iterable[int], clients: Iterable[int], effective: Iterable[float], *, apart: bool
) -> tuple[str, ...]:
    """Return the codes of what the courses under the strategies of a pair lack for a verdict."""
    found = {
        "too_few_cleared": min(cleared) < LEAST_CLEARED,
        "too_few_clients": min(clients) < LEAST_CLIENTS,
        "too_few_effective": min(effective) < LEAST_EFFECTIVE,
        "operators_apart": apart,
    }
    return tuple(code for code, lacking in found.items() if lacking)
