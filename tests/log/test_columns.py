"""What a column may hold stands once, in the rule table, and is held to when a log is read."""

import pytest

from forecast.invented import simulate_log
from forecast.log.cells import rule_of
from forecast.log.columns import TABLES, column_names
from forecast.log.outcome_log import OutcomeLog

LOG = simulate_log(30, seed=6)


@pytest.mark.parametrize(
    ("table", "column", "value", "fate"),
    [
        ("courses", "skin_type", "VII", "set_aside"),
        ("courses", "client_id", None, "set_aside"),
        ("courses", "sessions_given", 101, "set_aside"),
        ("courses", "age_years", -1.0, "flagged"),
        ("courses", "age_years", 111.0, "flagged"),
        ("sessions", "session_no", 0, "set_aside"),
        ("gradings", "fading_pct", -0.5, "set_aside"),
        ("gradings", "fading_pct", 100.5, "flagged"),
        ("reactions", "severity", "bad", "flagged"),
    ],
)
def test_what_breaks_a_rule_is_listed_with_its_cell(table, column, value, fate):
    frames = {name: getattr(LOG, name).copy() for name in TABLES}
    frames[table].loc[3, column] = value
    report = OutcomeLog.from_frames(**frames).report
    rule = rule_of(next(rule for rule in TABLES[table] if rule.name == column))
    listed = getattr(report, fate).query("table == @table and column == @column")
    assert listed.loc[listed["rule"].str.endswith(rule), "row"].tolist() == [5]
    blanked = fate == "flagged" and listed["blanked"].any()
    assert (5 in report.to_correct[table].index) == (fate == "set_aside" or blanked)


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
