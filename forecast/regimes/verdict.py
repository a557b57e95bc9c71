"""A difference between strategies, the verdict on it, and why a verdict is kept back."""

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
FOLLOWERS = "too_few_followers"
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

    @property
    def without_width(self) -> bool:
        """Whether the resamples gave one and the same number, but for rounding."""
        return self.error is not None and self.error < NO_ERROR

    def within(self, margin: float) -> bool:
        """Return whether the 90 % interval lies inside plus and minus the margin."""
        low, high = self.at_level(0.9)
        return low is not None and high is not None and -margin < low and high < margin

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
    reasons: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        said = {"verdict": self.verdict, "reasons": list(self.reasons)}
        return {"horizon": self.horizon} | said | self.contrast.to_dict()


def verdict_of(contrast: Contrast, margin: float, reasons: Sequence[str] = ()) -> Verdict:
    """Return the verdict code of a difference in sessions.

    ``saves`` and ``costs`` by the 95 % interval, ``equivalent`` by the 90 % interval inside plus
    and minus the margin, whatever level the contrast itself is shown at; ``cannot say`` wherever
    there is a reason to keep a verdict back.

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
    if reasons or low is None or high is None or contrast.without_width:
        return "cannot say"
    if high < 0:
        return "saves"
    if low > 0:
        return "costs"
    return "equivalent" if contrast.within(margin) else "cannot say"


def reasons_for(
    contrast: Contrast, margin: float, lacking: Sequence[str] = (), *, few: str = FOLLOWERS
) -> tuple[str, ...]:
    """Return the codes of what keeps a verdict back; empty where nothing does.

    ``too_few_followers``: too few courses follow a strategy up to the horizon (``few`` is the
    code for it: ``too_few_pairs`` of halves of split tattoos). ``too_few_cleared``,
    ``too_few_clients``, ``too_few_effective``: under one of the strategies. ``operators_apart``:
    hands and regimes cannot be told apart. ``zero_width``: the interval has none.
    ``interval_covers_margin``: the interval reaches past zero and past the margin. What the courses
    rather than the difference fall short of is given as ``lacking``, see `lacking_for`.
    """
    if contrast.estimate is None:
        return (few, *lacking)
    if contrast.without_width:
        return (*lacking, "zero_width")
    unclear = verdict_of(contrast, margin) == "cannot say"
    return (*lacking, *(["interval_covers_margin"] if unclear else []))


def lacking_for(
    cleared: Iterable[int], clients: Iterable[int], effective: Iterable[float], *, apart: bool
) -> tuple[str, ...]:
    """Return the codes of what the courses under the strategies of a pair lack for a verdict."""
    found = {
        "too_few_cleared": min(cleared) < LEAST_CLEARED,
        "too_few_clients": min(clients) < LEAST_CLIENTS,
        "too_few_effective": min(effective) < LEAST_EFFECTIVE,
        "operators_apart": apart,
    }
    return tuple(code for code, lacks in found.items() if lacks)


def words_for(
    key: str, contrast: Contrast, reasons: Sequence[str], horizon: int, margin: float
) -> str:
    """Return the sentence for a person."""
    left, right = key.split(" - ")
    low, high = contrast.at_level(0.95)
    if contrast.estimate is None or low is None or high is None:
        return (
            f"Cannot say whether {left} needs fewer sessions than {right} up to session {horizon}: "
            "too few courses followed one of them that far."
        )
    span = f"{low:.1f} to {high:.1f} more" if low > 0 else f"{-low:.1f} fewer to {high:.1f} more"
    if high < 0:
        span = f"{-high:.1f} to {-low:.1f} fewer"
    size = f"{abs(contrast.estimate):.1f} session(s) {'fewer' if contrast.estimate < 0 else 'more'}"
    by_interval = verdict_of(contrast, margin)
    ends = {
        "saves": f"{left} saves sessions.",
        "costs": f"{left} costs sessions.",
        "equivalent": f"Up to there any difference is below {margin:g} session(s).",
        "cannot say": "The log cannot say which is better: it fits anything in that interval.",
    }
    end = ends[verdict_of(contrast, margin, reasons)]
    if reasons and (by_interval in ("saves", "costs") or contrast.without_width):
        end = "No verdict is given, for reasons in the notes."
    return f"Up to session {horizon}, {left} against {right}: {size} (95 % interval {span}). {end}"
