"""The distribution of a book's margin: many courses, their spread from chance and the model."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast.clinic.frequency import of_100

__all__ = ["Book", "Variation"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Variation:
    """Courses under one change.

    Attributes
    ----------
    change : str
        What is different.
    expected_margin : Decimal
        Mean margin.
    one_in_twenty : Decimal
        Margin that 1 in 20 falls below.
    chance_of_loss : float
        Chance of a margin below zero.
    """

    change: str
    expected_margin: Decimal
    one_in_twenty: Decimal
    chance_of_loss: float


@dataclass(frozen=True, slots=True, eq=False)
class Book:
    """A year's margin as a distribution; money exact to the cent, net of tax.

    Attributes
    ----------
    currency : str
        Three-letter code.
    n_courses, replicates : int
        Courses in the year; simulated years.
    totals, totals_model_known : ndarray of shape (replicates,)
        The year's margin in cents: with parameters drawn once a year and shared by all its
        courses, and with the model taken as known.
    expected_margin : Decimal
        Mean of the year's margin.
    margin_sd, chance_sd, model_sd : Decimal
        Its spread, the part from chance and the part from the model (squares add up).
    chance_of_loss : float
        Chance that the year loses money.
    one_in_twenty, one_in_twenty_model_known : Decimal
        Margin that 1 year in 20 falls below.
    expected_shortfall : Decimal
        Mean loss of the worst 5 of 100 years; negative where even they earn.
    buffer : Decimal
        Money to hold so that 19 of 20 years are paid for; 0 where none is needed.
    volume_limit : float
        Courses at which the model's part of the spread equals the part of chance: beyond it more
        courses hardly make the average safer. ``inf`` where the model is known.
    sensitivity : tuple of Variation
        The year as it is and under changes of price, cap, drop-out and laser.
    notes : tuple of str
        Doubts and how it was computed.
    """

    currency: str
    n_courses: int
    replicates: int
    totals: FloatArray
    totals_model_known: FloatArray
    expected_margin: Decimal
    margin_sd: Decimal
    chance_sd: Decimal
    model_sd: Decimal
    chance_of_loss: float
    one_in_twenty: Decimal
    one_in_twenty_model_known: Decimal
    expected_shortfall: Decimal
    buffer: Decimal
    volume_limit: float
    sensitivity: tuple[Variation, ...]
    notes: tuple[str, ...]

    @property
    def below_plan(self) -> Decimal:
        """How far the 1-in-20 year falls below the expected margin."""
        return self.expected_margin - self.one_in_twenty

    @property
    def understated_by(self) -> float:
        """How many times further below plan that is than with the model taken as known."""
        known = self.expected_margin - self.one_in_twenty_model_known
        return float(self.below_plan / known) if known > 0 else float("inf")

    def sd_per_course(self, n: int) -> float:
        """Return the spread of the average margin per course, in money, with ``n`` courses.

        ``Var(mean of n) = E[variance] / n + Var(mean)``: the second part does not shrink.
        """
        n = check_whole_number(n, name="n", low=1)
        of_one = float(self.chance_sd) ** 2 / self.n_courses
        shared = (float(self.model_sd) / self.n_courses) ** 2
        return float((of_one / n + shared) ** 0.5)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; money as text, without the simulated years."""
        money = {
            name: str(value)
            for name in self.__slots__
            if isinstance(value := getattr(self, name), Decimal)
        }
        limit = self.volume_limit
        return {
            "currency": self.currency,
            "n_courses": self.n_courses,
            "replicates": self.replicates,
            **money,
            "below_plan": str(self.below_plan),
            "chance_of_loss": round(self.chance_of_loss, 4),
            "volume_limit": round(limit) if np.isfinite(limit) else None,
            "sensitivity": [
                {
                    "change": row.change,
                    "expected_margin": str(row.expected_margin),
                    "one_in_twenty": str(row.one_in_twenty),
                    "chance_of_loss": round(row.chance_of_loss, 4),
                }
                for row in self.sensitivity
            ],
            "notes": list(self.notes),
        }

    def to_text(self) -> str:
        """Return the year in words."""
        code = self.currency
        lines = [
            f"{self.n_courses} courses: expected margin {self.expected_margin} {code}, net of tax.",
            f"1 year in 20 earns less than {self.one_in_twenty} {code}; with the model taken as "
            f"known that would read {self.one_in_twenty_model_known}.",
            f"Money is lost in {of_100(self.chance_of_loss)} years; a buffer of "
            f"{self.buffer} {code} pays for 19 of 20.",
            f"Spread {self.margin_sd} {code}: from chance {self.chance_sd}, from the model "
            f"{self.model_sd}.",
        ]
        if np.isfinite(self.volume_limit):
            lines.append(
                f"From about {self.volume_limit:.0f} courses on, most of the spread is the model's "
                "and more courses hardly help."
            )
        changes = [
            f"{row.change}: expected {row.expected_margin}, 1-in-20 {row.one_in_twenty} {code}"
            for row in self.sensitivity
        ]
        return "\n".join([*lines, *changes, *(f"- {note}" for note in self.notes)])
