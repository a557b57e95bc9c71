"""What drives one estimate: each attribute as a difference in sessions, with its interval."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level
from forecast.clinic.courses import column
from forecast.clinic.enquiry import check_enquiry

if TYPE_CHECKING:
    from forecast.clinic.enquiry import Enquiry
    from forecast.clinic.forecaster import Forecaster

__all__ = ["Driver", "drivers"]

FloatArray = npt.NDArray[np.float64]
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
FAR = 100  # sessions looked ahead, so that slow tattoos have a median too
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
    """The effect of one attribute on this enquiry's median.

    Attributes
    ----------
    attribute, value, against : str
        The attribute, what the enquiry says, and what it is compared with.
    difference : float
        Median sessions of the enquiry less that of the same enquiry with ``against``; above
        zero means more sessions. Medians between whole sessions are interpolated.
    interval : tuple of float
        From the model's parameter draws, at ``level``.
    level : float
        What the interval is meant to cover.
    """

    attribute: str
    value: str
    against: str
    difference: float
    interval: tuple[float, float]
    level: float

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {**asdict(self), "interval": list(self.interval)}

    def to_text(self) -> str:
        """Return the effect in words."""
        low, high = self.interval
        named = self.attribute.replace("_", " ")
        return (
            f"{named} {self.value} instead of {self.against}: {self.difference:+.1f} sessions "
            f"({low:+.1f} to {high:+.1f})"
        )


def drivers(forecaster: Forecaster, enquiry: Enquiry, *, level: float = 0.8) -> tuple[Driver, ...]:
    """Return what each given attribute does to this enquiry's median, largest first.

    Each attribute is set back to a common reference (black ink, medium density, single layer,
    shoulder, skin type III, non-smoker, professional, unscarred; the log's median for numbers)
    while the others stay. These are associations in the log, not effects of changing anything.
    """
    tail = (1 - check_level(level)) / 2
    changes = list(changed(forecaster, check_enquiry(enquiry)))
    if not changes:
        return ()
    others = (other for *_, other in changes)
    draws, _ = forecaster.estimate_draws([enquiry, *others], steps=FAR)
    medians = soft_median(draws)
    found = []
    for place, (name, value, against, _) in enumerate(changes, 1):
        moved = medians[:, 0] - medians[:, place]
        low, high = np.quantile(moved, [tail, 1 - tail])
        middle = float(np.median(moved))
        found.append(Driver(name, value, against, middle, (float(low), float(high)), level))
    return tuple(sorted(found, key=lambda driver: -abs(driver.difference)))


def changed(forecaster: Forecaster, enquiry: Enquiry) -> Iterator[tuple[str, str, str, Enquiry]]:
    """Yield attribute, value, reference and the enquiry with the reference in its place."""
    for name in ATTRIBUTES:
        value = getattr(enquiry, name)
        against = REFERENCES.get(name) or forecaster.reference.middles.get(name)
        if value is not None and against is not None and value != against:
            change: dict[str, Any] = {name: against}
            yield name, shown(name, value), shown(name, against), replace(enquiry, **change)


def shown(name: str, value: Any) -> str:
    """Return a value for people, with its unit."""
    if isinstance(value, float):
        return f"{value:g} {column('courses', name).unit}"
    return str(value).replace("_", " ").replace(";", ", ")


def soft_median(pmfs: FloatArray) -> FloatArray:
    """Return the median of each pmf on the last axis, interpolated within its step.

    Where half are not reached by the last step, it is taken as that step.
    """
    reached = np.cumsum(pmfs, axis=-1)
    horizon = pmfs.shape[-1]
    step = np.argmax(reached >= 0.5, axis=-1)
    here = np.take_along_axis(pmfs, step[..., None], axis=-1)[..., 0]
    before = np.take_along_axis(reached, step[..., None], axis=-1)[..., 0] - here
    inside = step + (0.5 - before) / np.maximum(here, 1e-12)
    return np.where(reached[..., -1] >= 0.5, inside, float(horizon))
