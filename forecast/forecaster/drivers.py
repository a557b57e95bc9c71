"""What drives one estimate: each attribute as a difference in sessions, with its interval.

Where half are not there within the horizon there is no count to compare: then every attribute is
a difference in the chance by the last session looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import LEVEL, check_level
from forecast._types import FloatArray
from forecast.log import check_enquiry, column

if TYPE_CHECKING:
    from forecast.counts import Predictor
    from forecast.log import Enquiry

ATTRIBUTES = (
    "inks",
    "ink_density",
    "layering",
    "body_site",
    "skin_type",
    "smoker",
    "origin",
    "scarring",
    "area_cm2",
    "tattoo_age_years",
    "age_years",
)
HALF = 0.5
REFERENCES = {
    "inks": "black",
    "ink_density": "medium",
    "layering": "single",
    "body_site": "shoulder",
    "skin_type": "III",
    "smoker": "no",
    "origin": "professional",
    "scarring": "none",
}


@dataclass(frozen=True, slots=True)
class Driver:
    """The effect of one attribute on this enquiry's median, or on its chance by a session.

    Attributes
    ----------
    attribute, value, against : str
        The attribute, what the enquiry says, and what it is compared with.
    difference : float
        Median sessions of the enquiry less that of the same enquiry with ``against``; above
        zero means more sessions. Medians between whole sessions are interpolated. With
        ``by_session``, the same difference of the chance to have reached the goal by then.
    interval : tuple of float
        From the model's parameter draws, at ``level``.
    level : float
        What the interval is meant to cover.
    by_session : int or None
        The session of the chances compared; None where sessions are.
    """

    attribute: str
    value: str
    against: str
    difference: float
    interval: tuple[float, float]
    level: float
    by_session: int | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {**asdict(self), "interval": list(self.interval)}

    def to_text(self) -> str:
        """Return the effect in words."""
        low, high = self.interval
        what = f"{self.attribute.replace('_', ' ')} {self.value} instead of {self.against}"
        if self.by_session is None:
            return f"{what}: {self.difference:+.1f} sessions ({low:+.1f} to {high:+.1f})"
        middle, low, high = (round(100 * share) for share in (self.difference, low, high))
        return (
            f"{what}: {middle:+d} of 100 there by session {self.by_session} ({low:+d} to {high:+d})"
        )


def drivers_of(
    predictor: Predictor, enquiry: Enquiry, *, level: float = LEVEL
) -> tuple[Driver, ...]:
    """Return what each given attribute does to this enquiry's median, largest first.

    Each attribute is set back to a common reference (black ink, medium density, single layer,
    shoulder, skin type III, non-smoker, professional, unscarred; the log's median for numbers)
    while the others stay. Where any median, or any end of its interval, may lie beyond the
    horizon, all are differences of the chance to be there by then. These are associations in
    the log, not effects of changing anything.
    """
    tail = (1 - check_level(level)) / 2
    changes = list(_changed(predictor, check_enquiry(enquiry)))
    if not changes:
        return ()
    others = (other for *_, other in changes)
    draws, _ = predictor.estimate_draws([enquiry, *others])
    chances = np.cumsum(draws, axis=-1)[..., -1]
    counted = bool(np.all(chances >= HALF))  # else an end of an interval would be no count
    compared = _soft_median(draws) if counted else chances
    by_session = None if counted else predictor.horizon
    found = []
    for place, (name, value, against, _) in enumerate(changes, 1):
        moved = compared[:, 0] - compared[:, place]
        low, high = np.quantile(moved, [tail, 1 - tail])
        middle, interval = float(np.median(moved)), (float(low), float(high))
        found.append(Driver(name, value, against, middle, interval, level, by_session))
    return tuple(sorted(found, key=lambda driver: -abs(driver.difference)))


# attribute, value, what it is compared with, and the enquiry with that in its place
def _changed(predictor: Predictor, enquiry: Enquiry) -> Iterator[tuple[str, str, str, Enquiry]]:
    for name in ATTRIBUTES:
        value = getattr(enquiry, name)
        against = REFERENCES.get(name) or predictor.log_summary.middles.get(name)
        if value is not None and against is not None and value != against:
            change: dict[str, Any] = {name: against}
            yield name, _shown(name, value), _shown(name, against), replace(enquiry, **change)


def _shown(name: str, value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g} {column('courses', name).unit}"
    return str(value).replace("_", " ").replace(";", ", ")


# interpolated within the step; half are reached by the last step of each
def _soft_median(pmfs: FloatArray) -> FloatArray:
    reached = np.cumsum(pmfs, axis=-1)
    step = np.argmax(reached >= HALF, axis=-1)
    here = np.take_along_axis(pmfs, step[..., None], axis=-1)[..., 0]
    before = np.take_along_axis(reached, step[..., None], axis=-1)[..., 0] - here
    inside: FloatArray = step + (HALF - before) / np.maximum(here, 1e-12)
    return inside
