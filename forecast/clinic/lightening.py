"""The goal of lightening: the few courses that want it, and what an estimate says of them.

A course that wants clearing passes light enough long before it clears, at a session nobody wrote
down. So every course is fitted until its own goal, and what wanting lightening does to the count
is one effect among the others: attributes act as all courses say, the effect itself rests on the
courses that want lightening and on the algebra of fading (`evidence.LIGHTER`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from forecast.clinic.evidence import SHORTER

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ALGEBRA", "FEWEST_LIGHTENED", "Lightening"]

FEWEST_LIGHTENED = 10  # courses that got there, below which they check nothing
FOLLOWED = 5  # courses that a session of the curve must rest on
ALGEBRA = f"the algebra of fading (about {SHORTER:.1f} of the sessions)"


@dataclass(frozen=True, slots=True)
class Lightening:
    """Counts of the courses of a log that want lightening.

    Attributes
    ----------
    n_courses, n_reached, n_stopped, n_ongoing : int
        Courses that want it, and how they stand.
    n_other : int
        Courses that ended lightened although they wanted clearing: not counted as having got there.
    followed_to : int
        The last session with at least five courses that want it at risk; 0 if none.
    """

    n_courses: int
    n_reached: int
    n_stopped: int
    n_ongoing: int
    n_other: int
    followed_to: int

    @classmethod
    def of(cls, courses: pd.DataFrame, rows: pd.DataFrame) -> Lightening:
        """Return the counts of a log, whose rows for the goal ``lighten`` are ``rows``."""
        wanted = (courses["goal"] == "lighten").to_numpy()
        outcome = courses["outcome"]
        entry, step = (
            rows.loc[wanted, name].to_numpy(dtype=np.int64) for name in ("entry", "step")
        )
        sessions = np.arange(1, step.max(initial=0) + 1)
        at_risk = ((entry < sessions[:, None]) & (step >= sessions[:, None])).sum(axis=1)
        return cls(
            n_courses=int(wanted.sum()),
            n_reached=int(rows.loc[wanted, "observed"].sum()),
            n_stopped=int((wanted & (outcome == "stopped").to_numpy()).sum()),
            n_ongoing=int((wanted & (outcome == "ongoing").to_numpy()).sum()),
            n_other=int((~wanted & (outcome == "lightened").to_numpy()).sum()),
            followed_to=int(sessions[at_risk >= FOLLOWED].max(initial=0)),
        )

    @property
    def enough(self) -> bool:
        """Whether enough got there to check a promise on them."""
        return self.n_reached >= FEWEST_LIGHTENED

    def counted(self) -> str:
        """Return how many wanted it and how they stand, in words."""
        if not self.n_courses:
            return "none of which wanted lightening"
        return (
            f"{self.n_courses} of which wanted lightening: {self.n_reached} got there, "
            f"{self.n_stopped} stopped, {self.n_ongoing} are still running"
        )

    def notes(self, source: str = ALGEBRA) -> tuple[str, ...]:
        """Return the doubts of every estimate for lightening.

        ``source`` says in words what the effect rests on beside the log.
        """
        rests = f"the count rests on that to clearing and on {source}, and was not checked."
        found = []
        if not self.n_courses:
            found.append(f"No course of this log wanted lightening: {rests}")
        elif not self.n_reached:
            found.append(f"No course that wanted lightening is there yet: {rests}")
        elif not self.enough:
            found.append(
                f"Only {self.n_reached} course(s) that wanted lightening got there, fewer than "
                f"{FEWEST_LIGHTENED}: {rests}"
            )
        if self.n_other:
            found.append(
                f"{self.n_other} course(s) ended lightened though the log has clearing as their "
                "goal, and do not count: correct the column goal where lightening was wanted."
            )
        return tuple(found)
