"""Who grades how: level differences between graders, and how far two of them agree."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast.causal.rates import intraclass, one_way_intraclass, weighted_kappa
from forecast.clinic.fading_design import FEWEST_BY_GRADER

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.fading_slopes import Slopes

__all__ = ["GraderReport", "grader_report", "quartile_grade"]

FloatArray = npt.NDArray[np.float64]

FEWEST_PAIRS = 10  # tattoos graded by the same two people, for their agreement
FEWEST_TWICE = 10  # tattoos graded by two people at all
AT = 50.0  # percent faded at which level differences are stated


@dataclass(frozen=True, slots=True, eq=False)
class GraderReport:
    """Graders compared.

    Attributes
    ----------
    levels : DataFrame
        ``grader_id, points, low, high, gradings``: how many percentage points above the mean
        grader somebody grades a tattoo that is half faded. Empty with fewer than two graders.
    icc : float or None
        ICC(1,1) over all tattoos graded by two or more people on the same occasion.
    n_twice : int
        How many occasions that were.
    pairs : DataFrame
        ``first, second, occasions, icc, low, high, kappa``: ICC(2,1) and weighted kappa on
        quartile grades of each pair of graders.
    notes : tuple of str
    """

    levels: pd.DataFrame
    icc: float | None
    n_twice: int
    pairs: pd.DataFrame
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; tables as records."""
        return {
            "levels": self.levels.to_dict("records"),
            "icc": self.icc,
            "n_twice": self.n_twice,
            "pairs": self.pairs.to_dict("records"),
            "notes": list(self.notes),
        }


def quartile_grade(fading_pct: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Return grades 1 to 4 for 0-25, 26-50, 51-75 and 76-100 percent faded.

    The four-level scale of Lapidoth & Aharonowitz 2004 (J Am Acad Dermatol 51:906).

    Examples
    --------
    >>> quartile_grade([0, 25, 26, 75, 76, 100]).tolist()
    [1, 1, 2, 3, 4, 4]
    """
    faded = np.asarray(fading_pct, dtype=np.float64)
    return np.asarray(np.clip(np.ceil(faded / 25), 1, 4), dtype=np.int64)


def grader_report(slopes: Slopes, gradings: pd.DataFrame, *, level: float) -> GraderReport:
    """Return graders' levels from the fitted model, and their agreement from double gradings.

    Parameters
    ----------
    gradings : DataFrame
        The log's gradings.
    """
    known = gradings[gradings["grader_id"].notna() & gradings["fading_pct"].notna()]
    key = ["course_id", "after_session", "graded_on"]
    known = known.groupby([*key, "grader_id"])["fading_pct"].mean().reset_index()
    twice = known[known.groupby(key)["grader_id"].transform("size") > 1]
    n_twice = int(twice.groupby(key).ngroups)
    levels = grader_levels(slopes)
    notes = []
    icc = None
    if n_twice >= FEWEST_TWICE:
        occasion = twice.groupby(key).ngroup().to_numpy()
        icc = one_way_intraclass(twice["fading_pct"].to_numpy(), occasion)
        icc = icc if np.isfinite(icc) else None
    else:
        notes.append(
            f"{n_twice} occasion(s) on which two people graded the same tattoo: agreement cannot "
            f"be told. {FEWEST_TWICE} would do; photographs can be graded again."
        )
    if len(levels):
        apart = float(levels["points"].max() - levels["points"].min())
        notes.append(
            f"Graders differ by up to {apart:.1f} percentage points on the same half-faded tattoo; "
            "the curves are for the mean grader."
        )
    return GraderReport(levels, icc, n_twice, pair_table(twice, key, level), tuple(notes))


def grader_levels(slopes: Slopes) -> pd.DataFrame:
    """Return each grader's level, see `GraderReport`."""
    import pandas as pd

    names = slopes.rows.names
    columns = [name for name in names if name.startswith("grader ")]
    counts = slopes.rows.table["grader_id"].value_counts()
    table = []
    if columns:
        known = [name.removeprefix("grader ") for name in columns]
        last = max(str(name) for name in counts.index[counts >= FEWEST_BY_GRADER])
        for grader in [*known, last]:
            weights = np.array([1.0 if name == f"grader {grader}" else 0.0 for name in names])
            if grader == last:
                weights = np.array([-1.0 if name in columns else 0.0 for name in names])
            effect, error = slopes.value(weights)
            ends = effect + slopes.reach * error * np.array([0.0, 1.0, -1.0])
            points = (100 - AT) * -np.expm1(ends)
            table.append((grader, *(float(one) for one in points), int(counts[grader])))
    return pd.DataFrame(table, columns=["grader_id", "points", "low", "high", "gradings"])


def pair_table(twice: pd.DataFrame, key: list[str], level: float) -> pd.DataFrame:
    """Return the agreement of each pair of graders who graded the same tattoos often enough."""
    import pandas as pd

    wide = twice.set_index([*key, "grader_id"])["fading_pct"].unstack()  # noqa: PD010
    found = []
    for first, second in combinations(sorted(str(name) for name in wide.columns), 2):
        both = wide[[first, second]].dropna().to_numpy(dtype=np.float64)
        if len(both) < FEWEST_PAIRS or np.ptp(both) == 0:
            continue
        agreed = intraclass(both, level=level)
        kappa = weighted_kappa(quartile_grade(both[:, 0]), quartile_grade(both[:, 1]))
        found.append((first, second, len(both), agreed.two_way, *agreed.two_way_interval, kappa))
    columns = ["first", "second", "occasions", "icc", "low", "high", "kappa"]
    return pd.DataFrame(found, columns=columns)
