"""Price bands by a rule that people can read: ink group, density, area and site."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from forecast.clinic.courses import REGIONS
from forecast.clinic.enquiry import Enquiry
from forecast.clinic.groups import INK_GROUPS, ink_group
from forecast.clinic.shared_risk import areas_of

__all__ = ["band_rules"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
DENSITIES = ("light", "medium", "heavy")
AREAS = (25.0, 75.0, 150.0)  # cm²: where the classes of the list change
FEWEST_IN_BAND = 5


def band_rules(
    asked: list[Enquiry], cost: FloatArray, bands: int, *, typical_area_cm2: float = 50.0
) -> tuple[IntArray, list[str]]:
    """Return the band of each enquiry, shape (n,), and each band's rule in words.

    A regression tree (Breiman, Friedman, Olshen and Stone 1984) of the predicted cost with at
    most ``bands`` leaves; it may ask for ink group, ink density, area class and site region.
    """
    features, names = _features(asked, typical_area_cm2)
    if bands == 1:
        return np.zeros(len(asked), dtype=np.int64), ["all tattoos"]
    from sklearn.tree import DecisionTreeRegressor

    grown = DecisionTreeRegressor(
        max_leaf_nodes=bands, min_samples_leaf=max(FEWEST_IN_BAND, len(asked) // 50), random_state=0
    ).fit(features, cost)
    tree = grown.tree_
    lows = {0: np.full(features.shape[1], -np.inf)}
    highs = {0: np.full(features.shape[1], np.inf)}
    leaves = []
    for node in range(tree.node_count):  # parents come before their children
        if tree.children_left[node] < 0:
            leaves.append(node)
            continue
        at, cut = tree.feature[node], tree.threshold[node]
        for child, below in ((tree.children_left[node], True), (tree.children_right[node], False)):
            lows[child], highs[child] = lows[node].copy(), highs[node].copy()
            (highs if below else lows)[child][at] = cut
    number = {leaf: index for index, leaf in enumerate(leaves)}
    where = np.array([number[leaf] for leaf in grown.apply(features)], dtype=np.int64)
    return where, [_rule(lows[leaf], highs[leaf], names) for leaf in leaves]


def _features(
    asked: list[Enquiry], typical_area_cm2: float
) -> tuple[FloatArray, list[tuple[str, Any]]]:
    """Return one column per question a rule may ask, with its name and ordered values."""
    area = areas_of(asked)
    area = np.where(np.isnan(area), typical_area_cm2, area)
    columns = [
        np.array([INK_GROUPS.index(ink_group(str(one.inks))) for one in asked], dtype=np.float64),
        np.array([DENSITIES.index(one.ink_density) for one in asked], dtype=np.float64),
        np.searchsorted(AREAS, area, side="right").astype(np.float64),
    ]
    names: list[tuple[str, Any]] = [
        ("ink", INK_GROUPS),
        ("ink density", DENSITIES),
        ("area", AREAS),
    ]
    for region, sites in REGIONS.items():
        columns.append(np.array([one.body_site in sites for one in asked], dtype=np.float64))
        names.append(("site", region.replace("_", " ")))
    return np.column_stack(columns), names


def _rule(low: FloatArray, high: FloatArray, names: list[tuple[str, Any]]) -> str:
    parts, regions, not_regions = [], [], []
    for (name, values), least, most in zip(names, low, high, strict=True):
        if name == "site":
            if least > 0:
                regions.append(values)
            elif most < 1:
                not_regions.append(values)
        elif np.isfinite(least) or np.isfinite(most):
            parts.append(_range(name, values, least, most))
    if regions:
        parts.append(f"on {' or '.join(regions)}")
    elif not_regions:
        parts.append(f"not on {' or '.join(not_regions)}")
    return ", ".join(parts) or "all tattoos"


def _range(name: str, values: Any, least: float, most: float) -> str:
    n = len(values) + 1 if name == "area" else len(values)
    held = [place for place in range(n) if least < place < most]
    if name == "area":
        low = values[held[0] - 1] if held[0] else None
        high = values[held[-1]] if held[-1] < len(values) else None
        if low is None:
            return f"under {high:g} cm²"
        return f"{low:g} cm² or more" if high is None else f"{low:g} to {high:g} cm²"
    return f"{name} {' or '.join(values[place] for place in held)}"
