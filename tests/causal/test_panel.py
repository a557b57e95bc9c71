"""A long frame of subjects over steps."""

import numpy as np
import pandas as pd
import pytest

from forecast.causal import Panel
from forecast.errors import DataError


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"step": [1, 3]}, "without a gap"),
        ({"group": [0, 2]}, "other than 0 and 1"),
        ({"event": [True, False]}, "after its event"),
        ({"sign": [0.0, np.nan]}, "missing"),
    ],
)
def test_panels_that_cannot_be_are_refused(change, message):
    columns = {"who": [1, 1], "step": [1, 2], "group": [0, 0], "event": [False, False]}
    frame = pd.DataFrame(columns | {"lost": False, "sign": 0.0} | change)
    with pytest.raises(DataError, match=message):
        Panel.from_frame(
            frame,
            subject="who",
            step="step",
            group="group",
            event="event",
            lost="lost",
            before=["sign"],
            after=["sign"],
        )
