"""Files that come with the package are read once, and kept while they are the same."""

import os
import sys
import tomllib
from pathlib import Path

import pytest

import forecast
from forecast._shipped import shipped

PACKAGE = Path(forecast.__file__).parent


@pytest.fixture
def table(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path / "kept"))
    path = tmp_path / "table.toml"
    path.write_text('name = "shoulder"\nshare = 0.25\n', encoding="utf-8")
    return path


def kept_files(path: Path) -> list[Path]:
    return [one for one in (path.parent / "kept").rglob("*") if one.is_file()]


def refuse(text: str) -> None:
    pytest.fail(f"read again: {text}")


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.toml")), ids=lambda path: path.name)
def test_what_is_kept_is_what_the_file_says(path):
    written = tomllib.loads(path.read_text(encoding="utf-8"))
    assert shipped(path) == written == shipped(path)


def test_it_is_read_once(table):
    first = shipped(table)
    assert first == {"name": "shoulder", "share": 0.25}
    assert shipped(table, refuse) == first
    assert [one.suffix for one in kept_files(table)] == [".toml"]


def test_each_kind_is_kept_apart(table):
    shipped(table)
    assert shipped(table, len, "length") == len(table.read_text(encoding="utf-8"))
    assert shipped(table, refuse) == {"name": "shoulder", "share": 0.25}


def test_a_file_that_has_changed_is_read_again(table):
    shipped(table)
    table.write_text('name = "forearm"\n', encoding="utf-8")
    assert shipped(table) == {"name": "forearm"}
    os.utime(table, (1, 1))
    assert shipped(table, lambda text: "anew") == "anew"


@pytest.mark.parametrize("content", [b"", b"rubbish", b"\xe9\x01\x00\x00\x00"])
def test_what_is_kept_and_damaged_is_made_again(table, content):
    shipped(table)
    (kept,) = kept_files(table)
    kept.write_bytes(content)
    assert shipped(table) == {"name": "shoulder", "share": 0.25}
    assert shipped(table, refuse) == {"name": "shoulder", "share": 0.25}


def test_nothing_is_kept_where_python_keeps_nothing(table, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    shipped(table)
    assert not kept_files(table)


def test_a_place_that_cannot_be_written_is_no_fault(table, monkeypatch):
    blocked = table.parent / "blocked"
    blocked.write_text("a file where a folder would have to be", encoding="utf-8")
    monkeypatch.setattr(sys, "pycache_prefix", str(blocked))
    assert shipped(table) == {"name": "shoulder", "share": 0.25}
