"""A damaged file is either read or refused in words; nothing else comes out of it."""

import zipfile
from contextlib import suppress
from itertools import pairwise

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast.errors import DataError
from forecast.invented import simulate_log
from forecast.log.outcome_log import read_log

LOG = simulate_log(6, seed=5)
DAMAGE = st.lists(
    st.tuples(
        st.floats(0, 1, exclude_max=True),
        st.sampled_from(["change", "cut", "insert", "end"]),
        st.integers(0, 255),
    ),
    min_size=1,
    max_size=6,
)
FEW = settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def damaged(content, damage):
    changed = bytearray(content)
    for place, how, byte in damage:
        position = int(place * len(changed))
        if how == "change":
            changed[position] = byte
        elif how == "cut":
            del changed[position : position + byte % 20]
        elif how == "insert":
            changed[position:position] = bytes([byte])
        elif byte < 20:
            del changed[position:]
        changed = changed or bytearray(b"?")
    return bytes(changed)


def read_or_refused(path):
    """Read a log; only a DataError may stand in the way."""
    with suppress(DataError):
        log = read_log(path)
        for count in log.report.rows.values():
            assert count.rows_in == count.used + count.set_aside


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return a folder with the same log as a workbook and as Parquet."""
    folder = tmp_path_factory.mktemp("whole")
    LOG.courses.to_parquet(folder / "courses.parquet")
    LOG.courses.to_csv(folder / "courses.txt", index=False)
    book = openpyxl.Workbook()
    book.active.title = "courses"
    plain = LOG.courses.astype(object).where(LOG.courses.notna(), None)
    for row in [list(plain.columns), *plain.to_numpy().tolist()]:
        book.active.append(row)
    book.save(folder / "log.xlsx")
    return folder


@given(damage=DAMAGE)
@FEW
def test_a_damaged_workbook(whole, tmp_path, damage):
    (tmp_path / "log.xlsx").write_bytes(damaged((whole / "log.xlsx").read_bytes(), damage))
    read_or_refused(tmp_path / "log.xlsx")


@given(damage=DAMAGE, part=st.integers(0, 20))
@FEW
def test_a_workbook_with_one_damaged_part(whole, tmp_path, damage, part):
    with (
        zipfile.ZipFile(whole / "log.xlsx") as old,
        zipfile.ZipFile(tmp_path / "log.xlsx", "w") as new,
    ):
        for number, name in enumerate(old.namelist()):
            content = old.read(name)
            hit = number == part % len(old.namelist())
            new.writestr(name, damaged(content, damage) if hit else content)
    read_or_refused(tmp_path / "log.xlsx")


@pytest.mark.parametrize(
    ("kept", "name"), [("courses.parquet",) * 2, ("courses.txt", "courses.csv")]
)
@given(damage=DAMAGE)
@FEW
def test_a_damaged_table(whole, tmp_path, kept, name, damage):
    (tmp_path / name).write_bytes(damaged((whole / kept).read_bytes(), damage))
    read_or_refused(tmp_path)


def test_a_workbook_that_lies_about_its_size_is_refused(whole, tmp_path):
    path = tmp_path / "log.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as parts:
        with zipfile.ZipFile(whole / "log.xlsx") as old:
            for name in old.namelist():
                if "sheet1" not in name:
                    parts.writestr(name, old.read(name))
        parts.writestr("xl/worksheets/sheet1.xml", b"<worksheet>" + bytes(5_000_000))
    content = path.read_bytes()
    true_size = (5_000_011).to_bytes(4, "little")
    assert content.count(true_size) >= 2
    path.write_bytes(content.replace(true_size, (1000).to_bytes(4, "little")))
    with pytest.raises(DataError, match=r"log\.xlsx cannot be opened"):
        read_log(path)


def test_a_workbook_whose_entities_would_blow_up_is_refused(whole, tmp_path):
    tenfold = "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in pairwise("abcdefghij"))
    doctype = f'<!DOCTYPE x [<!ENTITY a "ha">{tenfold}]>'.encode()
    with (
        zipfile.ZipFile(whole / "log.xlsx") as old,
        zipfile.ZipFile(tmp_path / "log.xlsx", "w") as new,
    ):
        for name in old.namelist():
            content = old.read(name)
            if name.endswith("sheet1.xml"):
                content = doctype + content.replace(b"forearm", b"&j;")
            new.writestr(name, content)
    with pytest.raises(DataError, match="defines entities"):
        read_log(tmp_path / "log.xlsx")
