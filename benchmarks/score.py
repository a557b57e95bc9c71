"""The published additive point score as a comparator, here and in tests only.

Points of Kirby et al. 2009 (J Clin Aesthet Dermatol 2(3):32), from memory: the sum is read as the
number of sessions, give or take 2.5. Never shown to a client.
"""

import numpy as np
import pandas as pd

from forecast.survival import CountDistribution
from forecast.tattoo import REGIONS

SKIN = {"I": 1, "II": 2, "III": 3, "IV": 4, "V": 5, "VI": 6}
REGION_POINTS = {
    "head_neck": 1,
    "upper_trunk": 2,
    "lower_trunk": 3,
    "proximal_limb": 4,
    "distal_limb": 5,
}
SITE = {site: REGION_POINTS[region] for region, sites in REGIONS.items() for site in sites}
AMOUNT = {"light": 2, "medium": 3, "heavy": 4}
SCAR = {"none": 0, "slight": 1, "marked": 4}
REDS = {"red", "orange"}
BLACKS = {"black", "dark_blue"}


def colour_points(inks: str) -> int:
    """Return 1 black only, 2 with red, 3 with some other colour, 4 with several."""
    others = set(inks.split(";")) - BLACKS
    if not others:
        return 1
    if others <= REDS:
        return 2
    return 3 if len(others - REDS) == 1 else 4


def points(enquiries: pd.DataFrame) -> np.ndarray:
    """Return the score of each enquiry, shape (n,); what is not recorded adds its lowest points."""
    amount = enquiries["ink_density"].map(AMOUNT).where(enquiries["origin"] != "amateur", 1)
    return (
        enquiries["skin_type"].map(SKIN)
        + enquiries["body_site"].map(SITE)
        + enquiries["inks"].map(colour_points)
        + amount
        + enquiries["scarring"].map(SCAR).fillna(0)
        + enquiries["layering"].map({"single": 0, "layered": 2})
    ).to_numpy(dtype=np.float64)


def score_distribution(
    enquiries: pd.DataFrame, horizon: int, spread: float = 2.5
) -> CountDistribution:
    """Return even chances over the whole counts within ``spread`` of the score."""
    middle = points(enquiries)[:, None]
    steps = np.arange(1, horizon + 1)
    inside = (np.abs(steps - middle) <= spread).astype(np.float64)
    beyond = np.maximum(2 * int(spread) + 1, 1)
    return CountDistribution(inside / beyond)
