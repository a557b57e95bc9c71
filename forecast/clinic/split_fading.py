"""Split tattoos: the two halves' fading beside each other, session by session."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast.causal.rates import PairedDifference, paired_difference
from forecast.clinic.split_trial import split_halves

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog

__all__ = ["SplitFading", "split_fading"]

FloatArray = npt.NDArray[np.float64]

FEWEST_PAIRS = 5
NEARLY_ALL = 97.0  # percent faded beyond which a grading says no more than "nearly all"


@dataclass(frozen=True, slots=True, eq=False)
class SplitFading:
    """Paired fading of tattoos of which one half was always ns and the other always ps.

    Attributes
    ----------
    n_pairs : int
        Tattoos with both halves graded after the same session at least once.
    curves : DataFrame
        ``session, ns, ps, difference, low, high, pairs``: mean percent faded of each half, and
        the mean difference within pairs, ps less ns, over the pairs graded then.
    share : PairedDifference
        Share of the remaining ink removed per session, ps half less ns half, over the sessions
        after which both halves were graded.
    """

    n_pairs: int
    curves: pd.DataFrame
    share: PairedDifference

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; the curves as records."""
        return {
            "n_pairs": self.n_pairs,
            "share": {"estimate": self.share.estimate, "interval": list(self.share.interval)},
            "curves": self.curves.to_dict("records"),
        }


def split_fading(log: OutcomeLog, *, level: float) -> SplitFading | None:
    """Return the paired curves, or None with fewer than 5 pairs graded together."""
    if not len(log.sessions):
        return None
    pairs = split_halves(log)
    graded = log.graded[log.graded["after_session"] > 0]
    mean = graded.groupby(["course_id", "after_session"])["fading_pct"].mean().reset_index()
    both = pairs[["tattoo_id", "course_id_ps", "course_id_ns"]]
    for name in ("ps", "ns"):
        half = mean.rename(columns={"course_id": f"course_id_{name}", "fading_pct": name})
        on = [f"course_id_{name}", *(["after_session"] if name == "ns" else [])]
        both = both.merge(half, on=on)
    last = both.sort_values("after_session").groupby("tattoo_id").tail(1)
    if len(last) < FEWEST_PAIRS:
        return None
    shares = {
        name: -np.expm1(
            np.log1p(-np.minimum(last[name].to_numpy(), NEARLY_ALL) / 100)
            / last["after_session"].to_numpy()
        )
        for name in ("ps", "ns")
    }
    return SplitFading(
        n_pairs=len(last),
        curves=paired_curves(both, level),
        share=paired_difference(shares["ps"], shares["ns"], level=level),
    )


def paired_curves(both: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return the means by session, where at least 5 pairs were graded."""
    import pandas as pd

    found = []
    for session, part in both.groupby("after_session"):
        if len(part) < FEWEST_PAIRS:
            continue
        ps, ns = part["ps"].to_numpy(dtype=np.float64), part["ns"].to_numpy(dtype=np.float64)
        gap = paired_difference(ps, ns, level=level)
        means = float(ns.mean()), float(ps.mean())
        found.append((int(str(session)), *means, gap.estimate, *gap.interval, len(part)))
    columns = ["session", "ns", "ps", "difference", "low", "high", "pairs"]
    return pd.DataFrame(found, columns=columns)
