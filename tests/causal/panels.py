"""Panels from long frames, in any row order."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from forecast.causal import Panel


def panel_of(frame: pd.DataFrame, seen: Sequence[str] = ()) -> Panel:
    """Return the panel of ``who, step, group``, and ``event`` and ``lost`` where there are such.

    The columns ``seen`` may have moved choice and loss.
    """
    ordered = frame.sort_values(["who", "step"], kind="stable")
    told = ("event", "lost")
    ordered = ordered.assign(**{name: False for name in told if name not in ordered})
    known = ordered[list(seen)].to_numpy(dtype=np.float64)
    who = pd.factorize(ordered["who"])[0].astype(np.int64)
    return Panel(
        subject=who,
        step=ordered["step"].to_numpy(dtype=np.int64),
        group=ordered["group"].to_numpy(dtype=np.int64),
        event=ordered["event"].to_numpy(dtype=bool),
        lost=ordered["lost"].to_numpy(dtype=bool),
        before=known,
        after=known,
        cluster=np.unique(who),
        names=tuple(seen),
    )
