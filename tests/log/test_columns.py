"""What a column may hold stands once; logs and frictionless, an outside judge, hold to it."""

import hashlib
import json
from pathlib import Path

import frictionless
import pandas as pd
import pytest

from benchmarks.clinics import simulate_split_trial
from forecast.errors import DataError
from forecast.invented import simulate_log
from forecast.log.cells import rule_of
from forecast.log.columns import TABLES, column_names, data_package
from forecast.log.outcome_log import OutcomeLog, read_log, write_log

LOG = simulate_log(30, seed=6)
SHIPPED = Path(__file__).parents[2] / "synthetic_data"
CLINICS = (SHIPPED, SHIPPED / "tangled")


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


def judged(folder):
    """Return what frictionless finds wrong, as (table, row, column) in our row numbers."""
    report = frictionless.validate(str(folder / "datapackage.json"))
    return {
        (task.name, getattr(error, "row_number", None), getattr(error, "field_name", None))
        for task in report.tasks
        for error in task.errors
        if error.type != "hash-count"  # the file as a whole has changed
    }


@pytest.mark.parametrize("folder", CLINICS, ids=lambda folder: folder.name)
def test_frictionless_finds_nothing_wrong_with_a_shipped_clinic(folder):
    assert judged(folder) == set()


@pytest.mark.parametrize("folder", CLINICS, ids=lambda folder: folder.name)
def test_a_shipped_description_is_the_one_made_from_the_rules(folder):
    shipped = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    written = {}
    for resource in shipped["resources"]:
        content = (folder / resource["path"]).read_bytes()
        assert resource.pop("hash") == f"sha256:{hashlib.sha256(content).hexdigest()}"
        heads = content.decode().partition("\n")[0].split(",")
        written[resource["name"]] = tuple(r for r in TABLES[resource["name"]] if r.name in heads)
        usual = {rule.name for rule in TABLES[resource["name"]] if not rule.further}
        assert usual <= set(heads)
    assert shipped == data_package(title=shipped["title"], columns=TABLES | written)


def test_the_shipped_clinic_has_parts_passes_and_adjuncts_and_the_tangled_one_has_not():
    (practised, tangled) = (read_log(folder).sessions for folder in CLINICS)
    for name in ("passes", "adjunct"):
        assert practised[name].notna().any()
        assert tangled[name].isna().all()
    assert practised["part"].max() == 2


def test_a_table_that_changed_since_it_was_written_is_named(tmp_path):
    write_log(simulate_log(40, seed=11), tmp_path)
    assert not read_log(tmp_path).report.notes[1:]
    content = (tmp_path / "courses.csv").read_text()
    (tmp_path / "courses.csv").write_text(content.replace("black", "green", 1))
    (note,) = [n for n in read_log(tmp_path).report.notes if n.code == "log.not_as_written"]
    assert note.values == {"file": "courses.csv"}


def test_frictionless_finds_nothing_wrong_with_a_split_trial(tmp_path):
    write_log(simulate_split_trial(12, seed=2), tmp_path)
    assert judged(tmp_path) == set()


SPOILED = [
    ("courses", "skin_type", "VII"),
    ("courses", "inks", "black;gold"),
    ("courses", "sessions_given", "0"),
    ("courses", "sessions_given", "2.5"),
    ("courses", "started_on", "2024-02-30"),
    ("courses", "client_id", ""),
    ("courses", "smoker", "sometimes"),
    ("sessions", "wavelengths_nm", "infrared"),
    ("sessions", "session_no", "-1"),
    ("gradings", "fading_pct", "101"),
    ("reactions", "reaction", "itch"),
]


@pytest.mark.parametrize(("table", "column", "value"), SPOILED)
def test_frictionless_and_our_report_point_at_the_same_cell(tmp_path, table, column, value):
    write_log(simulate_log(40, seed=11), tmp_path)
    frame = pd.read_csv(tmp_path / f"{table}.csv", dtype=str, na_filter=False)
    frame.loc[2, column] = value
    frame.to_csv(tmp_path / f"{table}.csv", index=False)
    report = read_log(tmp_path).report
    told = report.flagged["blanked"] | report.flagged["remedy"].str.contains("counts as")
    ours = pd.concat([report.set_aside, report.flagged[told]])
    own = ours[(ours["table"] == table) & (ours["rule"] != "a course whose own row is used")]
    assert (table, 4, column) in judged(tmp_path)
    assert set(zip(own["table"], own["row"], own["column"], strict=True)) == {(table, 4, column)}


def test_frictionless_sees_a_session_without_a_course(tmp_path):
    write_log(simulate_log(20, seed=11), tmp_path)
    with (tmp_path / "sessions.csv").open("a") as file:
        file.write("C9999,1,2024-01-01,ns,,,,,\n")
    assert {(table, row) for table, row, _ in judged(tmp_path)} == {
        ("sessions", len((tmp_path / "sessions.csv").read_text().splitlines()))
    }


def test_the_same_log_is_written_byte_for_byte_whatever_row_types_it_came_from(tmp_path):
    log = simulate_log(25, seed=4)
    write_log(log, tmp_path / "first")
    write_log(read_log(tmp_path / "first"), tmp_path / "second")
    for name in ("courses", "sessions", "gradings", "reactions", "lasers"):
        first = (tmp_path / "first" / f"{name}.csv").read_bytes()
        assert first == (tmp_path / "second" / f"{name}.csv").read_bytes()
        assert b"\r" not in first
        assert tuple(first.decode().splitlines()[0].split(",")) == tuple(
            rule.name for rule in TABLES[name] if not rule.further
        )


def test_only_tables_with_rows_are_written_and_described(tmp_path):
    log = simulate_log(25, seed=4)
    bare = type(log).from_frames(log.courses)
    write_log(bare, tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["courses.csv", "datapackage.json"]
    assert judged(tmp_path) == set()


def test_every_column_is_described_in_words():
    for resource in data_package()["resources"]:
        fields = resource["schema"]["fields"]
        assert tuple(field["name"] for field in fields) == column_names(resource["name"])
        assert all(field["description"].endswith(".") for field in fields)
    assert len(data_package()["resources"]) == len(TABLES)


def test_what_cleared_was_judged_from_is_read_shown_and_kept(tmp_path):
    log = simulate_log(30, seed=1)
    write_log(log, tmp_path)
    path = tmp_path / "datapackage.json"
    package = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps(package | {"cleared_judged": "photograph, by two graders"}))
    read = read_log(tmp_path)
    assert "was judged from: photograph, by two graders" in read.report.to_text()
    write_log(read, tmp_path / "again")
    assert read_log(tmp_path / "again").cleared_judged == "photograph, by two graders"
    path.write_text(json.dumps(package | {"cleared_judged": "a feeling"}))
    with pytest.raises(DataError, match="photograph or in_person, and by whom"):
        read_log(tmp_path)


@pytest.mark.parametrize(
    "resources", [1, True, {"path": "x"}, [1, None, {"hash": 3}], "courses.csv"]
)
def test_a_description_of_another_shape_names_no_files_and_stops_nothing(tmp_path, resources):
    log = simulate_log(20, seed=1)
    write_log(log, tmp_path)
    path = tmp_path / "datapackage.json"
    package = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps(package | {"resources": resources, "beside": resources}))
    assert len(read_log(tmp_path).courses) == len(log.courses)
