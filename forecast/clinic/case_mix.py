"""What a session met besides regime and operator, as columns of the reaction model."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["case_mix", "numbers"]

FloatArray = npt.NDArray[np.float64]
DENSITY = {"light": -1.0, "medium": 0.0, "heavy": 1.0}


def case_mix(rows: pd.DataFrame) -> tuple[dict[str, FloatArray], tuple[str, ...]]:
    """Return the columns to adjust for, those without variation left out, and notes."""
    skin, inks = rows["skin_type"], rows["inks"]
    fluence, notes = _fluence(rows)
    columns: dict[str, FloatArray] = {
        "skin_iv": numbers(skin == "IV"),
        "skin_v_vi": numbers(skin.isin(["V", "VI"])),
        "colour": numbers(~inks.isin(["black", "dark_blue", "black;dark_blue"])),
        "density": numbers(rows["ink_density"].map(DENSITY)),
        "fluence_doublings": fluence,
    }
    return {name: value for name, value in columns.items() if np.ptp(value) > 0}, notes


def numbers(column: pd.Series) -> FloatArray:
    """Return a column as floats."""
    return np.asarray(column, dtype=np.float64)


def _fluence(rows: pd.DataFrame) -> tuple[FloatArray, tuple[str, ...]]:
    """Return doublings of fluence over the regime's median, 0 where not recorded.

    The two regimes work at different fluences by nature, so that fluence as such would take the
    place of the regime. What is compared is each regime at its own usual fluence.
    """
    given = rows["fluence_j_cm2"].astype(float)
    given = given.where(given > 0)
    missing = float(given.isna().mean())
    if missing == 1:
        return np.zeros(len(rows)), ("Fluence is not recorded and not adjusted for.",)
    usual = given.groupby(rows["regime"].fillna("")).transform("median")
    notes: tuple[str, ...] = ("Fluence is adjusted as doublings over each regime's own median.",)
    if missing > 0.2:
        notes += (
            f"Fluence is missing in {100 * missing:.0f} % of sessions and taken as usual there.",
        )
    doublings: FloatArray = np.nan_to_num(np.log2((given / usual).to_numpy(dtype=np.float64)))
    return doublings, notes
