"""Price bands: a rule people can read, and what coarse bands cost."""

from decimal import Decimal

import numpy as np
import pytest

from forecast.errors import RequestError
from forecast.log import Enquiry
from forecast.prices.price_list import make_price_list
from forecast.prices.tariff import Package, Tariff

HAZARD = {"light": 0.5, "medium": 0.25, "heavy": 0.1}
HORIZON = 10


BLOCK = Package("block", sessions=2, extra_price=Decimal(400))


class Made:
    """Only density matters: sessions needed are geometric with these hazards."""

    def estimate_draws(self, enquiries):
        hazard = np.array([HAZARD[one.ink_density] for one in enquiries])[:, None]
        pmf = hazard * (1 - hazard) ** np.arange(HORIZON)
        return np.stack([pmf, pmf]), np.zeros(pmf.shape)


def enquiries(n=30):
    return [
        Enquiry("II", site, "black", density, "single", area_cm2=area)
        for density in HAZARD
        for site, area in zip(
            ["forearm", "back", "face"] * (n // 3), np.linspace(10, 200, n), strict=True
        )
    ]


def tariff(**changes):
    plain = {"currency": "EUR", "session_price": 150, "cap": 10, "cost_per_session": 100}
    return Tariff(**{**plain, "round_to": 5, "largest_chance_of_loss": 1.0, **changes})


def priced(bands, **changes):
    return make_price_list(Made(), enquiries(), Package("fixed"), tariff(**changes), bands=bands)


def test_the_bands_are_the_densities_that_made_the_cost():
    found = priced(3)
    assert [band.rule for band in found.bands] == [
        "ink density light", "ink density medium", "ink density heavy",
    ]  # fmt: skip
    # 100 / (1 - .3) times E[min(K, 10)] = (1 - q^10) / h, rounded up to 5.00
    for band, hazard in zip(found.bands, HAZARD.values(), strict=True):
        exact = 100 / 0.7 * (1 - (1 - hazard) ** 10) / hazard
        assert 0 <= float(band.price) - exact < 5
        assert band.price % 5 == 0
        assert band.n == 30


def test_a_list_of_fixed_prices_says_where_they_end_and_for_how_many_that_is_enough():
    head, *lines = priced(3).to_text().splitlines()
    assert head == "fixed price, at most 10 sessions, in EUR, tax included:"
    # of light, medium and heavy ink, 1 - q^10 are cleared: 0.999, 0.944, 0.651
    for line, chance in zip(lines, ("more than 99", "94", "65"), strict=False):
        assert f"enough for {chance} of 100," in line


def test_bands_that_follow_the_cost_move_no_money_between_clients():
    assert priced(3).cross_subsidy < Decimal("0.02")


def test_one_price_for_all_makes_easy_tattoos_pay_for_hard_ones():
    found = priced(1)
    assert found.bands[0].rule == "all tattoos"
    # at the common margin on revenue m, own prices are cost / (1 - m): what light ones overpay
    # is a third of price - cost_light / (1 - m), medium likewise where positive
    cost = np.array([100 * (1 - (1 - h) ** 10) / h for h in HAZARD.values()])
    price = float(found.bands[0].price)
    own = cost * price / cost.mean()
    assert float(found.cross_subsidy) == pytest.approx(np.maximum(price - own, 0).mean(), abs=0.01)


def test_hard_tattoos_buy_the_fixed_price():
    # one price of 705: per session light costs 300, medium 566, heavy 977 on average
    found = priced(1)
    assert found.share_buying == pytest.approx(1 / 3)
    heavy = 100 * (1 - 0.9**10) / 0.1
    assert float(found.margin_if_some_buy) == pytest.approx(
        float(found.bands[0].price) - heavy, abs=0.01
    )
    assert found.selection_loss == found.margin_if_all_buy - found.margin_if_some_buy
    assert found.selection_loss > 0


def test_a_band_meets_the_accepted_chance_of_loss_over_its_clients():
    found = priced(1, largest_chance_of_loss=0.1, target_margin=0.0)
    sessions = int(found.bands[0].price / 100)
    too_many = np.mean([(1 - h) ** sessions for h in HAZARD.values()])
    one_less = np.mean([(1 - h) ** (sessions - 1) for h in HAZARD.values()])
    # sessions beyond the cap are not given, so a price of 10 sessions never loses
    assert sessions == 10 or too_many <= 0.1 < one_less


def test_the_list_is_a_table_and_words():
    found = priced(2)
    assert list(found.to_frame()["price"]) == [band.price for band in found.bands]
    assert "tax included" in found.to_text()
    assert len(found.band_of) == 90


@pytest.mark.parametrize(("n", "package"), [(3, Package("fixed")), (30, Package("per_session"))])
def test_a_list_that_makes_no_sense_is_refused(n, package):
    with pytest.raises(RequestError, match="A price list of"):
        make_price_list(Made(), enquiries(n), package, tariff())


@pytest.mark.parametrize("package", [BLOCK, Package("fixed")])
def test_no_harder_band_stands_below_an_easier_one(package):
    # of the block each session after the second brings in 400 and costs 100, so that alone the
    # longest courses would be asked the least
    found = make_price_list(Made(), enquiries(), package, tariff(), bands=3)
    difficulty = [band.expected_cost for band in found.bands]
    assert difficulty == sorted(difficulty)
    prices = [band.price for band in found.bands]
    assert prices == sorted(prices)


def test_the_list_to_hang_on_the_wall_shows_prices_and_no_cost_or_margin():
    found = priced(3)
    page = found.to_html()
    assert all(f"{band.price} EUR" in page for band in found.bands)
    assert "at most" in page
    assert "not for sale" in page
    assert not any(str(band.expected_cost) in page for band in found.bands)
