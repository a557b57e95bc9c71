"""The verdict on a difference, and the codes that say why it is kept back."""

import pytest

from forecast.regimes.verdict import Contrast, lacking_for, reasons_for, verdict_of

CLEAR = Contrast.normal(-2.0, 0.3, 0.95)
WIDE = Contrast.normal(-0.5, 2.0, 0.95)


def test_a_difference_that_speaks_has_no_reason_against_it():
    assert verdict_of(CLEAR, margin=1.0) == "saves"
    assert reasons_for(CLEAR, 1.0) == ()


@pytest.mark.parametrize(
    ("contrast", "reason"),
    [
        (Contrast.missing(0.95), "too_few_followers"),
        (Contrast.normal(-1.0, 0.0, 0.95), "zero_width"),
        (WIDE, "interval_covers_margin"),
    ],
)
def test_why_a_difference_cannot_say_has_its_code(contrast: Contrast, reason: str):
    assert verdict_of(contrast, margin=1.0) == "cannot say"
    assert reasons_for(contrast, 1.0) == (reason,)


@pytest.mark.parametrize(
    ("cleared", "clients", "effective", "apart", "codes"),
    [
        ([5, 5], [20, 20], [30.0, 30.0], False, ()),
        ([5, 4], [20, 20], [30.0, 30.0], False, ("too_few_cleared",)),
        ([5, 5], [19, 20], [30.0, 30.0], False, ("too_few_clients",)),
        ([5, 5], [20, 20], [29.9, 50.0], False, ("too_few_effective",)),
        ([5, 5], [20, 20], [30.0, 30.0], True, ("operators_apart",)),
    ],
)
def test_each_strategy_of_a_pair_needs_enough(cleared, clients, effective, apart, codes):
    lacking = lacking_for(cleared, clients, effective, apart=apart)
    assert lacking == codes
    assert reasons_for(CLEAR, 1.0, lacking) == codes
