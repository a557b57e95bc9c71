"""The numbers behind the two pictures of an answer, ready to be drawn as SVG."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from forecast.counts import Estimate

__all__ = ["Curve", "dots", "draw_curve", "whole_of_100"]

WIDTH, HEIGHT = 290.0, 215.0
LEFT, RIGHT, TOP, BOTTOM = 34.0, 8.0, 26.0, 40.0
DOT = 20.0  # distance of two dots


@dataclass(frozen=True, slots=True)
class Curve:
    """A step curve of 0 to 100 over sessions, in the units of its drawing.

    Attributes
    ----------
    width, height, left, right, top, bottom : float
        Of the drawing, and where the axes run.
    line, band : str
        SVG paths of the curve and of what the model itself is unsure of.
    first, step : float
        Where session 1 is, and the distance to the next one.
    ticks : tuple of (place, session)
    levels : tuple of (place, of_100)
    supported_x : float or None
        Where the log ends, when it ends before the horizon.
    """

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    line: str
    band: str
    first: float
    step: float
    ticks: tuple[tuple[float, int], ...]
    levels: tuple[tuple[float, int], ...]
    supported_x: float | None


def draw_curve(estimate: Estimate) -> Curve:
    """Return the curve of how many of 100 have reached the goal by each session."""
    horizon = estimate.horizon
    step = (WIDTH - LEFT - RIGHT) / horizon
    spread = np.quantile(np.cumsum(estimate.draws, axis=1), [0.1, 0.9], axis=0)
    low, high = (stairs(values, step) for values in spread)
    beyond = estimate.supported_to < horizon
    ticks = [n for n in range(1, horizon + 1) if n == 1 or n % 5 == 0]
    return Curve(
        width=WIDTH,
        height=HEIGHT,
        left=LEFT,
        right=WIDTH - RIGHT,
        top=TOP,
        bottom=HEIGHT - BOTTOM,
        line=path(stairs(estimate.distribution.cdf()[0], step)),
        band=path([*high, *low[::-1]]) + "Z",
        first=round(LEFT + step / 2, 2),
        step=round(step, 4),
        ticks=tuple((round(LEFT + (n - 0.5) * step, 1), n) for n in ticks),
        levels=tuple((round(place(level / 100), 1), level) for level in (0, 25, 50, 75, 100)),
        supported_x=round(LEFT + estimate.supported_to * step, 1) if beyond else None,
    )


def place(share: float) -> float:
    """Return the height at which a share is drawn."""
    return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)


def stairs(
    shares: np.ndarray[tuple[int, ...], np.dtype[np.float64]], step: float
) -> list[tuple[float, float]]:
    """Return the corners of a step curve, one tread per session."""
    corners = []
    for at, share in enumerate(shares):
        height = place(float(share))
        corners += [(LEFT + at * step, height), (LEFT + (at + 1) * step, height)]
    return corners


def path(corners: list[tuple[float, float]]) -> str:
    """Return an SVG path through the corners."""
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in corners)


def dots() -> tuple[tuple[float, float], ...]:
    """Return the places of 100 dots, ten in a row, filled from the top left."""
    return tuple((DOT * (k % 10 + 0.5), DOT * (k // 10 + 0.5)) for k in range(100))


def whole_of_100(share: float) -> int:
    """Return how many of 100 dots a share fills: never all of them unless it is 1.

    Examples
    --------
    >>> whole_of_100(0.624), whole_of_100(0.999)
    (62, 99)
    """
    return min(round(100 * share), 99) if share < 1 else 100
