"""Did a promise hold in each of several groups: verdicts that chance alone rarely makes."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from forecast.assess.coverage import Coverage
from forecast.assess.dropout import wilson_interval

__all__ = ["coverage_range", "holm", "verdicts"]

FloatArray = npt.NDArray[np.float64]
FEWEST_EVENTS = 20
MARGIN = 0.03
TOLERANCE = 0.10
FALSE_ALARMS = 0.05  # over all groups together


def coverage_range(found: Coverage) -> tuple[float, float]:
    """Return the 95 % Wilson interval of the randomised coverage, at its effective size."""
    share = found.tie_split
    if not np.isfinite(share):
        return 0.0, 1.0
    return wilson_interval(min(max(share, 0.0), 1.0), effective_paths(found))


def effective_paths(found: Coverage) -> float:
    """Return how many independent paths the coverage rests on, one subject's paths being alike."""
    share = min(max(found.tie_split, 0.0), 1.0)
    if found.tie_split_error > 0 and 0 < share < 1:
        return min(found.n_effective * 1.5, share * (1 - share) / found.tie_split_error**2)
    return found.n_effective


def holm(chances: npt.ArrayLike) -> FloatArray:
    """Return p-values that allow for all tests made together (Holm 1979, Scand J Stat 6:65).

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    plain = np.asarray(chances, dtype=np.float64)
    order = np.argsort(plain, kind="stable")
    stepped = plain[order] * np.arange(len(plain), 0, -1)
    adjusted = np.empty_like(plain)
    adjusted[order] = np.minimum(np.maximum.accumulate(stepped), 1.0)
    return adjusted


def verdicts(found: Sequence[Coverage], ratios: Sequence[tuple[float, float]]) -> list[str]:
    """Return "holds", "cannot say" or "fails" for each group.

    *Fails*: coverage is below the level by more than 0.03, or events differ from the expected
    number by more than a fifth, and chance alone would make one or more such findings among all
    groups given in at most 5 of 100 assessments (Holm over two tests for each group).
    *Holds*: the coverage interval lies above the level less 0.10, the ratio of events to
    expected lies within 2/3 and 3/2 with 95 % confidence, and neither would fail by itself.
    Otherwise, and with under 20 events: *cannot say*.

    Parameters
    ----------
    found : sequence of Coverage
        One for each group.
    ratios : sequence of (ratio, error)
        Events over expected events, and the standard error.
    """
    judged = [
        place
        for place, (one, pair) in enumerate(zip(found, ratios, strict=True))
        if one.n_events >= FEWEST_EVENTS and np.isfinite([*pair, one.tie_split]).all()
    ]
    answers = ["cannot say"] * len(found)
    plain = np.array([_chances(found[place], *ratios[place]) for place in judged])
    together = holm(plain.ravel()).reshape(plain.shape)
    for place, alone, adjusted in zip(judged, plain, together, strict=True):
        one, (ratio, error) = found[place], ratios[place]
        large = np.array([one.tie_split < one.level - MARGIN, not 1 / 1.2 <= ratio <= 1.2])
        sure = coverage_range(one)[0] > one.level - TOLERANCE
        sure &= ratio - 1.96 * error > 2 / 3 and ratio + 1.96 * error < 1.5
        if (large & (adjusted <= FALSE_ALARMS)).any():
            answers[place] = "fails"
        elif sure and not (large & (alone <= FALSE_ALARMS)).any():
            answers[place] = "holds"
    return answers


def _chances(found: Coverage, ratio: float, error: float) -> tuple[float, float]:
    """Return the chances of so low a coverage, and of so unusual a ratio, if the promise holds."""
    normal, size = NormalDist(), effective_paths(found)
    spread = np.sqrt(found.level * (1 - found.level) / max(size, 1e-12))
    short = normal.cdf(float((found.tie_split - found.level) / spread))
    return short, 2 * normal.cdf(-abs(ratio - 1) / error)
