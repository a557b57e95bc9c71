"""Gradings as they count: what a slip of the pen above 100 percent is taken for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ALL_GONE", "MOST_GENEROUS", "counted"]

ALL_GONE = 100.0  # percent faded
MOST_GENEROUS = 110.0  # beyond it no eye was generous: what was meant is not known


def counted(fading_pct: pd.Series[Any]) -> pd.Series[Any]:
    """Return the percents as they count: a little above 100 is 100, and far above is not known.

    Examples
    --------
    >>> import pandas as pd
    >>> counted(pd.Series([40.0, 104.0, 250.0])).tolist()
    [40.0, 100.0, nan]
    """
    return fading_pct.mask(fading_pct > MOST_GENEROUS).clip(upper=ALL_GONE)
