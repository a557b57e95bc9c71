"""What the fitted fading model says: ink removed per session, curves, differences of regimes."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.fading_fit import FadingFit
    from forecast.clinic.fading_rows import FadingRows

__all__ = ["ALL", "Slopes"]

FloatArray = npt.NDArray[np.float64]

ALL = "all"
LEAST_COURSES = 5  # with that many sessions, for a curve to go on
MIDDLE = 0.8  # share of the courses inside the outer band
LONGEST = 40
TOLD = 2.0  # standard errors from which a pace is told from none
HALVINGS = 50
TINY = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """The fitted model and the mix of courses over which it is averaged.

    Attributes
    ----------
    rows : FadingRows
    fit : FadingFit
    level : float
        Of intervals.
    """

    rows: FadingRows
    fit: FadingFit
    level: float

    @property
    def remnant(self) -> float:
        """Share of the ink taken never to go."""
        return self.fit.remnant

    @property
    def reach(self) -> float:
        """Standard errors on either side of an estimate."""
        return NormalDist().inv_cdf((1 + self.level) / 2)

    @property
    def regimes(self) -> tuple[str, ...]:
        """Regimes with their own slope; ``all`` where the log names none."""
        return self.rows.regimes or (ALL,)

    @property
    def groups(self) -> tuple[str, ...]:
        """Ink groups with their own slope, and all courses together, first."""
        return (ALL, *self.rows.groups)

    def members(self, group: str) -> npt.NDArray[np.bool_]:
        """Return which courses belong to a group."""
        if group == ALL:
            return np.ones(len(self.rows.courses), dtype=bool)
        return np.asarray(self.rows.courses["ink_group"] == group)

    def slope(self, regime: str, group: str) -> tuple[float, FloatArray]:
        """Return the log ink per session under a regime, and its gradient in the coefficients.

        Averaged over the group's own courses: their attributes and their ink groups; at the
        typical interval and date.
        """
        by_course = self.log_ratios(regime)[self.members(group)]
        pace = self.fit.coefficients[1]
        times = np.exp(by_course @ self.fit.coefficients)
        gradient = pace * (times @ by_course) / len(times)
        gradient[1] = times.mean()
        return float(pace * times.mean()), gradient

    def log_ratios(self, regime: str) -> FloatArray:
        """Return the weights of the coefficients in the log of each course's pace over the usual.

        Shape (n_courses, p).
        """
        courses, names = self.rows.courses, self.rows.names
        kind = courses["ink_group"].to_numpy()
        found = np.zeros((len(courses), len(names)))
        for at, name in enumerate(names):
            of, _, group = name.partition(", ")
            if name in self.rows.adjusted:
                found[:, at] = self.rows.centred[:, self.rows.adjusted.index(name)]
            elif (of == "sessions" and group) or (of == "ps" and regime == "ps"):
                found[:, at] = (kind == group) if group else 1.0
        return found

    def value(self, weights: FloatArray) -> tuple[float, float]:
        """Return a weighted sum of coefficients and its standard error."""
        return float(weights @ self.fit.coefficients), self.error(weights)

    def error(self, gradient: FloatArray) -> float:
        """Return the standard error of a value with that gradient in the coefficients."""
        return sqrt(max(float(gradient @ self.fit.covariance @ gradient), 0.0))

    def had(self, regime: str, group: str) -> FloatArray:
        """Return each course's number of sessions under a regime."""
        courses = self.rows.courses[self.members(group)]
        column = regime if regime in self.rows.regimes else "sessions_given"
        return courses[column].to_numpy(dtype=np.float64)

    def shares(self) -> pd.DataFrame:
        """Return the share of the remaining ink that a session removes, by regime and group.

        Columns ``regime, ink_group, share, low, high, courses``.
        """
        import pandas as pd

        found = []
        for group in self.groups:
            for regime in self.regimes:
                had = int((self.had(regime, group) > 0).sum())
                if had < LEAST_COURSES or not self.tells(regime, group):
                    continue
                slope, gradient = self.slope(regime, group)
                shares = -np.expm1([slope, *self.ends(slope, self.error(gradient))])
                found.append((regime, group, *(float(one) for one in shares), had))
        columns = ["regime", "ink_group", "share", "low", "high", "courses"]
        return pd.DataFrame(found, columns=columns)

    def ends(self, slope: float, error: float) -> FloatArray:
        """Return the interval of a slope, the slower end first.

        Errors are of the log of the pace, unless no fading at all is as good as possible.
        """
        if -slope > TOLD * error:
            apart = self.reach * error / -slope
            return slope * np.exp([-apart, apart])
        return slope + self.reach * error * np.array([1.0, -1.0])

    def tells(self, regime: str, group: str) -> bool:
        """Return whether the model has a slope of its own for a regime in a group."""
        if regime != "ps" or group in (ALL, *self.rows.groups[:1]) or "ps" not in self.rows.names:
            return True
        return f"ps, {group}" in self.rows.names

    def differences(self) -> pd.DataFrame:
        """Return the share that a ps session removes less that of an ns session, by ink group.

        Columns ``ink_group, difference, low, high``; empty with one regime.
        """
        import pandas as pd

        found = []
        for group in self.groups if len(self.regimes) == 2 else ():
            if not self.tells("ps", group):
                continue
            (ns, by_ns), (ps, by_ps) = (self.slope(regime, group) for regime in ("ns", "ps"))
            gap = exp(ns) - exp(ps)
            error = self.error(exp(ns) * by_ns - exp(ps) * by_ps)
            found.append((group, gap, gap - self.reach * error, gap + self.reach * error))
        return pd.DataFrame(found, columns=["ink_group", "difference", "low", "high"])

    def curves(self) -> pd.DataFrame:
        """Return the percent faded of the middle course by session, with its bands.

        Columns ``regime, ink_group, session, faded, low, high`` (of the middle course),
        ``middle_low, middle_high`` (the middle 8 of 10 courses) and ``courses`` (that had so many
        sessions under the regime). A curve ends where fewer than 5 courses had.
        """
        import pandas as pd

        tables = []
        for group in self.groups:
            for regime in self.regimes:
                if self.tells(regime, group):
                    tables.append(self._curve(regime, group))
        return pd.concat(tables, ignore_index=True)

    def _curve(self, regime: str, group: str) -> pd.DataFrame:
        import pandas as pd

        had = self.had(regime, group)
        _, gradient = self.slope(regime, group)
        start = np.array([1.0 if name == "start" else 0.0 for name in self.rows.names])
        found = [(0, 0.0, 0.0, 0.0, 0.0, 0.0, len(had))]
        for session in range(1, LONGEST + 1):
            courses = int((had >= session).sum())
            if courses < LEAST_COURSES:
                break
            slow, middle, quick = self.spread_at(regime, group, session)
            far = self.reach * self.error(start + session * gradient)
            ends = np.array([middle, middle + far, middle - far, slow, quick])
            found.append((session, *self.faded(ends), courses))
        names = ["session", "faded", "low", "high", "middle_low", "middle_high", "courses"]
        table = pd.DataFrame(found, columns=names)
        table.insert(0, "ink_group", group)
        table.insert(0, "regime", regime)
        return table

    def spread_at(self, regime: str, group: str, session: int) -> FloatArray:
        """Return the log ink of the slower end, the middle and the quicker end of the courses.

        Between the ends lie the middle 8 of 10: a mixture over the group's courses, each as its
        attributes and inks say, and as far apart from that as the model finds courses alike to be.
        """
        from scipy.special import ndtr

        inside, coefficients = self.members(group), self.fit.coefficients
        times = np.exp(self.log_ratios(regime)[inside] @ coefficients)
        clock = session * np.exp(self.log_ratios(self.regimes[0])[inside] @ coefficients) ** 2
        mean = coefficients[0] + session * times * coefficients[1]
        z = np.column_stack([np.ones(len(times)), session * times])
        variance = np.einsum("np,pq,nq->n", z, self.fit.fitted.model.random_covariance, z)
        scale = np.sqrt(variance + self.fit.wander * clock + TINY)
        wanted = np.array([(1 + MIDDLE) / 2, 0.5, (1 - MIDDLE) / 2])
        low, high = np.full(3, (mean - 8 * scale).min()), np.full(3, (mean + 8 * scale).max())
        for _ in range(HALVINGS):
            half = (low + high) / 2
            below = ndtr((half[:, None] - mean) / scale).mean(axis=1) < wanted
            low, high = np.where(below, half, low), np.where(below, high, half)
        return np.asarray((low + high) / 2)

    def faded(self, log_left: FloatArray) -> FloatArray:
        """Return percent faded from the log of the removable ink left, at least 0."""
        left = self.remnant + (1 - self.remnant) * np.exp(np.minimum(log_left, 0.0))
        return np.asarray(100 * (1 - left), dtype=np.float64)
