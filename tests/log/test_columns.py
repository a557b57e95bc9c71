"""The pandera schema is made from the rule table, and says the same."""

import pandera.pandas as pa
import pytest

from forecast.invented import simulate_log
from forecast.log.cleaning import broken_rules, table_schema
from forecast.log.columns import TABLES, column_names
from forecast.tattoo import REGIONS, SITES

LOG = simulate_log(30, seed=6)


@pytest.mark.parametrize("table", list(TABLES))
def test_pandera_accepts_every_table_of_a_clean_log(table):
    table_schema(table).validate(getattr(LOG, table), lazy=True)


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("courses", "skin_type", "VII"),
        ("courses", "client_id", None),
        ("courses", "age_years", -1.0),
        ("courses", "age_years", 111.0),
        ("sessions", "session_no", 0),
        ("gradings", "fading_pct", 100.5),
        ("reactions", "severity", "bad"),
    ],
)
def test_pandera_itself_rejects_what_breaks_a_rule(table, column, value):
    frame = getattr(LOG, table).copy()
    frame.loc[3, column] = value
    with pytest.raises(pa.errors.SchemaError):
        table_schema(table).validate(frame)
    broken = broken_rules(table, frame)
    assert list(zip(broken["row"], broken["column"], strict=True)) == [(3, column)]


def test_every_rule_has_what_its_kind_needs():
    for table, rules in TABLES.items():
        assert len(set(column_names(table))) == len(rules)
        for rule in rules:
            assert rule.meaning.endswith(".")
            if rule.kind in ("level", "flag"):
                assert rule.levels
            if rule.kind in ("integer", "number"):
                assert rule.low is not None
                assert rule.low < rule.high
                assert rule.unit
            assert rule.default is None or not rule.required


def test_the_regions_hold_every_site_once():
    assert sorted(site for sites in REGIONS.values() for site in sites) == sorted(SITES)
