"""How columns of the clinic's own enter the count model: as numbers, or as levels."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import nearest
from forecast._notes import problem_and_remedy
from forecast.counts.rows import FEWEST_ALIKE, FEWEST_WITH_LEVEL
from forecast.errors import RequestError
from forecast.log import column_names, extra_number, normal_heading

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

FARTHEST = 3.0  # standard deviations, beyond which a number is taken as if it were there


@dataclass(frozen=True, slots=True)
class ExtraColumn:
    """How the column ``name`` of the clinic's own enters the model.

    Attributes
    ----------
    name : str
        Its heading among the courses.
    levels : tuple of str
        Those that at least five courses have, each a covariate of 0 or 1; none of a number.
    middle, spread : float
        A number enters as 0 at the middle and as 1 where it is larger by the spread.

    Examples
    --------
    >>> ExtraColumn("depth_mm", middle=2.0, spread=0.5).covariates([2.5, 10.0, None])
    {'extra.depth_mm': array([ 1.,  3., nan])}
    """

    name: str
    levels: tuple[str, ...] = ()
    middle: float = 0.0
    spread: float = 1.0

    @property
    def names(self) -> tuple[str, ...]:
        """Its covariates."""
        return tuple(f"extra.{self.name}.{one}" for one in self.levels) or (f"extra.{self.name}",)

    def known(self, value: Any) -> bool:
        """Whether a value says something here: a number, or a level of the log's."""
        return value in self.levels if self.levels else extra_number(value) is not None

    def covariates(self, values: Iterable[Any]) -> dict[str, FloatArray]:
        """Return the covariates of each row, NaN where nothing is known."""
        if self.levels:
            texts = np.array([*values, None], dtype=object)[:-1]
            known = np.isin(texts, self.levels)
            pairs = zip(self.names, self.levels, strict=True)
            return {name: np.where(known, texts == level, np.nan) for name, level in pairs}
        numbers = np.array([extra_number(one) for one in values], dtype=np.float64)
        away = (numbers - self.middle) / self.spread
        return {self.names[0]: np.clip(away, -FARTHEST, FARTHEST)}


def with_extra(rows: pd.DataFrame, log: OutcomeLog, extra: Sequence[ExtraColumn]) -> pd.DataFrame:
    """Return ``rows``, ``course_rows`` of ``log``, with the covariates of ``extra`` columns."""
    found = [one.covariates(log.courses[one.name]) for one in extra]
    return rows.assign(**{name: values for each in found for name, values in each.items()})


def extra_columns(log: OutcomeLog, names: Sequence[str]) -> tuple[ExtraColumn, ...]:
    """Return how the columns ``names`` of a log's courses enter the model.

    Raises
    ------
    RequestError
        If one is not there, is a column of the log itself, is free text, says who a person is, or
        says the same of all courses.
    """
    if isinstance(names, str):
        raise RequestError(f"extra is {names!r}.", f"Give a list of columns, as [{names!r}].")
    return tuple(_learnt(log, name) for name in dict.fromkeys(map(normal_heading, names)))


def _learnt(log: OutcomeLog, name: str) -> ExtraColumn:
    if wrong := _wrong_heading(log, name):
        raise RequestError(*wrong)
    cells = log.courses[name].dropna()
    if len(cells) < FEWEST_WITH_LEVEL:
        values = {"name": name, "n": len(cells), "least": FEWEST_WITH_LEVEL}
        raise RequestError(*problem_and_remedy("refused.extra_few", values))
    if cells.dtype.kind == "f":
        low, middle, high = np.quantile(cells, [0.16, 0.5, 0.84]).tolist()
        # half a usual range, or the standard deviation where most are alike
        spread = (high - low) / 2 or float(cells.std())
        found = ExtraColumn(name, (), float(f"{middle:.3g}"), float(f"{spread:.3g}"))
    else:
        from forecast.log import masked

        counts = cells.value_counts()
        kept = sorted(map(str, counts.index[counts >= FEWEST_ALIKE]))
        if sum(masked(level) != level for level in map(str, counts.index)) >= len(counts) / 2:
            raise RequestError(*problem_and_remedy("refused.extra_person", {"name": name}))
        found = ExtraColumn(name, tuple(kept), spread=float(len(kept) > 1))
    if not found.spread > 0:
        values = {"name": name, "least": FEWEST_ALIKE}
        raise RequestError(*problem_and_remedy("refused.extra_alike", values))
    return found


def _wrong_heading(log: OutcomeLog, name: str) -> tuple[str, ...]:
    known = column_names("courses")
    own = [one for one in log.courses.columns if one not in known]
    if name in known:
        return problem_and_remedy("refused.extra_known", {"name": name})
    if name in own:
        return ()
    if name in map(normal_heading, log.report.extra_columns.get("courses", ())):
        return problem_and_remedy("refused.extra_text", {"name": name})
    values = {"name": name, "known": own or "none", "hint": nearest(name, own)}
    return problem_and_remedy("refused.extra_absent", values)
