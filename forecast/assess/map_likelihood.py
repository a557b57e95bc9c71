"""The map H' = exp(shift) H^power of a cumulative hazard, and the likelihood of what was seen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from forecast.assess.outcomes import Outcomes
from forecast.survival import CountDistribution

__all__ = ["Ranges", "map_chance", "path_loss", "predicted_ranges"]

FloatArray = npt.NDArray[np.float64]
Ranges = tuple[FloatArray, FloatArray, FloatArray]
SMALLEST = 1e-300
LARGEST_LOG = 6.5  # exp(-exp(6.5)) is 0 to every digit, and nothing overflows


def map_chance(chance: FloatArray, shift: FloatArray | float, power: float) -> FloatArray:
    """Return 1 - exp(-exp(shift) H^power) with H = -log(1 - chance); 0 and 1 stay."""
    hazard, _, _ = _mapped_hazard(chance, shift, power)
    inside = (chance > 0) & (chance < 1)
    mapped: FloatArray = np.where(inside, -np.expm1(-hazard), chance >= 1)
    return mapped


def predicted_ranges(repeats: Sequence[CountDistribution], outcomes: Outcomes) -> list[Ranges]:
    """Return, per repeat, the predicted chance by the entry, before and by what was seen.

    A path censored after step C lies between the chance by C and 1.
    """
    ranges = []
    for distribution in repeats:
        outcomes.check_matches(distribution)
        seen = outcomes.up_to(distribution.horizon)
        padded = np.hstack([np.zeros((len(seen), 1)), distribution.cdf()])
        rows = np.arange(len(seen))
        low = padded[rows, seen.step - seen.observed]
        high = np.where(seen.observed, padded[rows, seen.step], 1.0)
        ranges.append((padded[rows, seen.entry], low, high))
    return ranges


def path_loss(
    ranges: Ranges, shift: FloatArray | float, power: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return minus each path's log likelihood and its slopes in ``shift`` and ``log(power)``."""
    entered, low, high = (_mapped_hazard(part, shift, power) for part in ranges)
    before, by = np.exp(-low[0]), np.exp(-high[0])
    chance = np.maximum(before - by, 1e-12)
    value = -np.log(chance) - entered[0]

    def slope(turn: int) -> FloatArray:
        lost: FloatArray = (low[turn] * before - high[turn] * by) / chance
        return lost - entered[turn]

    return value, slope(1), slope(2)


def _mapped_hazard(
    chance: FloatArray, shift: FloatArray | float, power: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the mapped cumulative hazard and its slopes in ``shift`` and ``log(power)``."""
    cumulative = -np.log(np.maximum(1 - chance, SMALLEST))
    log_hazard = np.log(np.maximum(cumulative, SMALLEST))
    # A chance of 1 stays 1 under every map.
    log_mapped = np.where(chance >= 1, LARGEST_LOG, shift + power * log_hazard)
    mapped = np.exp(np.minimum(log_mapped, LARGEST_LOG))
    return mapped, mapped, mapped * power * log_hazard
