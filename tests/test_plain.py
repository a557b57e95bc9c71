"""Values as JSON has them, and back."""

from dataclasses import dataclass

import numpy as np
import pytest

from forecast._arrays import FloatArray
from forecast._notes import Note
from forecast._plain import plain, plain_values, read


@dataclass(frozen=True, eq=False)
class Part:
    name: str
    values: FloatArray
    ends: tuple[int | None, ...] = ()
    notes: tuple[Note, ...] = ()


def test_plain_values_are_those_of_json():
    assert plain({"ends": (1, None)}) == {"ends": [1, None]}
    assert plain_values({"low": 1.0, "high": float("nan")}) == {"low": 1.0, "high": None}


def test_a_dataclass_comes_back_as_it_was():
    part = Part("a", np.array([0.5, 0.25]), (1, None), (Note("fit.not_settled", "serious"),))
    again = read(Part, plain(part))
    assert plain(again) == plain(part)
    assert isinstance(again.values, np.ndarray)
    assert again.notes == part.notes
    assert plain(part, arrays=False).keys() == {"name", "ends", "notes"}
    with pytest.raises(KeyError, match="values"):
        read(Part, {"name": "a"})
