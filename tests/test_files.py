"""A file is whole or refused: after a crash it is the old or the new one, after damage none."""

import errno
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from types import SimpleNamespace

import pytest

import forecast
from forecast import _files
from forecast._files import read_json, read_whole, sealed, unsealed, write_whole
from forecast.cli import main
from forecast.daybook import begin_daybook, export_daybook
from forecast.errors import ForecastError, RequestError
from forecast.log.files import remove_file
from forecast.sharing import load_evidence, pool_shares, share_log

OLD, NEW = b"old " * 20, b"new " * 30


class Disk:
    """A disk that stops at its nth call, and forgets what was not brought to it.

    Contents are kept by number, as a disk does; names are a list of changes of which only those
    up to the last call of fsync on the folder are sure.
    """

    def __init__(self, stop_at, fault, *, with_old):
        self.stop_at, self.fault, self.calls = stop_at, fault, 0
        self.contents = {0: OLD} if with_old else {}
        self.sure = dict(self.contents)
        self.names = {"file": 0} if with_old else {}
        self.changes = []
        self.sure_names = dict(self.names)
        self.open_files = {}

    def _call(self):
        self.calls += 1
        if self.calls == self.stop_at:
            raise self.fault

    def open(self, path, flags, mode=0o666):
        self._call()
        number = 1 + len(self.open_files)
        if flags & os.O_CREAT:
            assert flags & os.O_EXCL
            self.contents[number] = self.sure[number] = b""
            self._change({path.name: number})
        self.open_files[number] = path.name if flags & os.O_CREAT else None
        return number

    def write(self, file, data):
        part = bytes(data)[:50]  # a disk may take less than it is given
        self.contents[file] += part
        self._call()
        return len(part)

    def fsync(self, file):
        self._call()
        if self.open_files[file] is None:
            self.sure_names, self.changes = dict(self.names), []
        else:
            self.sure[file] = self.contents[file]

    def close(self, file):
        self._call()

    def replace(self, old, new):
        self._call()
        self._change({new.name: self.names[old.name], old.name: None})

    def unlink(self, path):
        if path.name not in self.names:
            raise FileNotFoundError(path)
        self._change({path.name: None})

    def _change(self, names):
        self.changes.append(names)
        self.names |= names
        self.names = {name: number for name, number in self.names.items() if number is not None}

    def after_power_is_back(self):
        """Return every content that the file may have then, None where it may not be there."""
        found = set()
        for size in range(len(self.changes) + 1):
            for kept in combinations(self.changes, size):
                names = dict(self.sure_names)
                for change in kept:
                    names |= change
                number = names.get("file")
                if number is None:
                    found.add(None)
                    continue
                sure, written = self.sure[number], self.contents[number]
                found |= {written[:end] for end in range(len(sure), len(written) + 1)}
        return found


def on(disk, monkeypatch):
    calls = {name: getattr(disk, name) for name in ("open", "write", "fsync", "close", "replace")}
    flags = {name: getattr(os, name) for name in ("O_WRONLY", "O_CREAT", "O_EXCL", "O_RDONLY")}
    monkeypatch.setattr(
        _files, "os", SimpleNamespace(**calls, **flags, unlink=disk.unlink, name="posix")
    )


@pytest.mark.parametrize("with_old", [True, False])
@pytest.mark.parametrize("call", range(1, 13))
def test_a_loss_of_power_at_any_call_leaves_the_old_file_or_the_new(
    tmp_path, monkeypatch, call, with_old
):
    disk = Disk(call, KeyboardInterrupt(), with_old=with_old)
    on(disk, monkeypatch)
    try:
        write_whole(tmp_path / "file", NEW)
        assert call > disk.calls
        assert disk.after_power_is_back() == {NEW}
    except KeyboardInterrupt:
        assert disk.after_power_is_back() <= {OLD if with_old else None, NEW}


@pytest.mark.parametrize("call", range(1, 13))
def test_a_full_disk_at_any_call_keeps_the_old_file_and_leaves_nothing_behind(
    tmp_path, monkeypatch, call
):
    disk = Disk(call, OSError(errno.ENOSPC, "No space left on device"), with_old=True)
    on(disk, monkeypatch)
    try:
        write_whole(tmp_path / "file", NEW)
    except OSError:
        assert disk.contents[disk.names["file"]] in (OLD, NEW)
    assert set(disk.names) == {"file"}


# Two into folders of their own, and what is read of the package's own files, made again when lost.
ITSELF = {"_files.py", "page/sheet.py", "cli/tour.py", "_shipped.py"}


def test_nothing_but_the_one_writer_writes_files():
    root = Path(forecast.__file__).parent
    into = re.compile(r"\.write_(text|bytes|html)\(|open\([^)]*[\"'][wax]|\.to_csv\((?!index|$)")
    example = re.compile(r"^ *>>> .*$", re.MULTILINE)  # what a user's own script may do
    found = {
        str(path.relative_to(root).as_posix())
        for path in root.rglob("*.py")
        if into.search(example.sub("", path.read_text(encoding="utf-8")))
    }
    assert found <= ITSELF


WRITER = """
import sys
from pathlib import Path
from forecast._files import write_whole
print("ready", flush=True)
while True:
    write_whole(Path(sys.argv[1]), sys.argv[2] * 200_000)
"""


def writer(path, letter):
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), letter], stdout=subprocess.PIPE
    )
    process.stdout.readline()
    return process


def ended(process):
    process.kill()
    process.wait()
    process.stdout.close()


def is_whole(path):
    content = path.read_bytes()
    return len(content) == 200_000 and len(set(content)) == 1


def test_two_writers_and_a_reader_see_whole_files_alone(tmp_path):
    path = tmp_path / "file"
    path.write_bytes(b"a" * 200_000)
    writers = [writer(path, "a"), writer(path, "b")]
    try:
        until = time.monotonic() + 1.0
        while time.monotonic() < until:
            assert is_whole(path)
        assert all(process.poll() is None for process in writers)
    finally:
        for process in writers:
            ended(process)


# Windows has no signal that ends a process without its having a say; its other tests here hold that
# an interrupted write leaves the old file or the new one.
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="there is no kill -9 here")
def test_a_process_that_is_killed_while_it_writes_leaves_a_whole_file(tmp_path):
    path, rng = tmp_path / "file", random.Random(3)
    path.write_bytes(b"a" * 200_000)
    for letter in "bcd":
        process = writer(path, letter)
        time.sleep(rng.uniform(0.0, 0.05))
        ended(process)
        assert is_whole(path)


def test_a_seal_tells_any_change_and_a_file_without_one_is_taken_as_it_is():
    content = {"kind": "x", "values": [1.5, {"a": None}]}
    told = {"named": "It", "remedy": "Write it again."}
    assert unsealed(json.loads(json.dumps(sealed(content))), **told) == content
    assert unsealed(content, **told) == content
    for other in ({**sealed(content), "kind": "y"}, {**sealed(content), "more": 1}):
        with pytest.raises(RequestError, match="It has changed"):
            unsealed(other, **told)


def test_what_is_no_file_or_too_large_is_not_read(tmp_path):
    (tmp_path / "large").write_bytes(b"123")
    with pytest.raises(OSError, match="more than 2 bytes"):
        read_whole(tmp_path / "large", 2)
    with pytest.raises(OSError, match="it is no file"):
        read_whole(tmp_path, 2)


@pytest.mark.parametrize("text", ["", "{", "[" * 100_000, '{"a": NaN}', '{"a": 1e999}', "9" * 5000])
def test_json_that_is_none_or_whose_numbers_are_not_finite_is_none(tmp_path, text):
    (tmp_path / "file").write_text(text)
    assert read_json(tmp_path / "file") is None


def damaged(content, rng):
    """Content with one byte changed, added or taken away."""
    place, byte = rng.randrange(len(content)), bytes([rng.randrange(256)])
    how = rng.randrange(3)
    end = content[place + (how != 1) :]
    return content[:place] + (byte if how < 2 else b"") + end


def said_of(path, open_file):
    """What a file answers, None where it is refused."""
    try:
        return open_file(path)
    except RequestError:
        return None


def model_says(path):
    found = forecast.load_forecaster(path)
    asked = forecast.Enquiry("III", "neck", "black;green", "heavy", "layered", smoker="yes")
    return found.estimate(asked).to_text()


def check_damages(content, path, open_file, *, cases, seed):
    rng = random.Random(seed)
    path.write_bytes(content)
    true, refused = open_file(path), 0
    for _ in range(cases):
        path.write_bytes(damaged(content, rng))
        said = said_of(path, open_file)
        refused += said is None
        assert said in (None, true)
    assert refused > 0.5 * cases


def pooled_with(other):
    def open_file(path):
        stored = read_json(path)
        return pool_shares([stored, other]).to_text()

    return open_file


@pytest.fixture(scope="module")
def written(forecaster, invented_log, tmp_path_factory):
    """The content of a saved model, of a share as it is written, and another clinic's share."""
    path = tmp_path_factory.mktemp("written") / "model.json"
    forecaster.save(path)
    share = json.dumps(sealed(share_log(invented_log)), indent=1).encode()
    return path.read_bytes(), share, share_log(forecast.simulate_log(150, seed=2))


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_no_damaged_byte_of_a_model_changes_an_answer_without_a_word(written, tmp_path, seed):
    cases = 150 if seed == 1 else 5_000
    check_damages(written[0], tmp_path / "model.json", model_says, cases=cases, seed=seed)


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_no_damaged_byte_of_a_share_changes_an_answer_without_a_word(written, tmp_path, seed):
    _, share, other = written
    cases = 150 if seed == 1 else 5_000
    check_damages(share, tmp_path / "share.json", pooled_with(other), cases=cases, seed=seed)


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_no_damaged_byte_of_an_exported_daybook_is_read_without_a_word(tmp_path, seed):
    book, folder = tmp_path / "book.sqlite", tmp_path / "book"
    shutil.copy(WRITTEN / "daybook-1.sqlite", book)
    assert main(["daybook", str(book), "--export", str(folder)]) == 0
    files = sorted(folder.glob("*.csv"))
    true, rng = read_as(folder)[0], random.Random(seed)
    for _ in range(20 if seed == 1 else 3_000):
        path = rng.choice(files)
        content = path.read_bytes()
        path.write_bytes(damaged(content, rng) if content else b"x")
        try:
            found, told = read_as(folder)
        except ForecastError:
            continue
        finally:
            path.write_bytes(content)
        assert found == true or path.name in told


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_no_damaged_byte_of_an_export_makes_another_daybook_without_a_word(tmp_path, seed):
    first, folder = tmp_path / "book.sqlite", tmp_path / "book"
    shutil.copy(WRITTEN / "daybook-1.sqlite", first)
    export_daybook(first, folder)
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    true = {path: path.read_bytes() for path in files}
    rng, refused = random.Random(seed), 0
    for number in range(12 if seed == 1 else 1_000):
        path, book = rng.choice(files), tmp_path / f"{number}.sqlite"
        path.write_bytes(damaged(true[path], rng) if true[path] else b"x")
        try:
            begin_daybook(book, folder)
        except ForecastError:
            refused += 1
        else:
            export_daybook(book, tmp_path / "again")
            assert {
                p: (tmp_path / "again" / p.relative_to(folder)).read_bytes() for p in files
            } == true
            remove_file(book)
        path.write_bytes(true[path])
        assert not book.exists()
    assert refused


def read_as(folder):
    """The tables of a log as text, and the files that it says are not as they were written."""
    log = forecast.read_log(folder)
    tables = [log.courses, log.sessions, log.gradings, log.reactions, log.lasers]
    notes = [note for note in log.report.notes if note.code == "log.not_as_written"]
    return [table.to_csv() for table in tables], {note.values["file"] for note in notes}


WRITTEN = Path(__file__).parent / "golden/written"  # by each published schema; none is ever changed


def test_files_of_every_schema_that_was_published_open_for_ever(tmp_path):
    model = forecast.load_forecaster(WRITTEN / "model-4.json")
    asked = forecast.Enquiry("II", "forearm", "black;red", "medium", "single", age_years=31)
    estimate = model.estimate(asked)
    assert (estimate.median, estimate.interval) == (11, (8, 17))
    assert model.log_summary.similar(replace(asked, inks="black"))["n"] > 5
    assert model.assessment["evidence"] == []
    sites = [one["label"] for one in model.assessment["subgroups"] if one["factor"] == "site"]
    assert "distal_limb" in sites
    stored = read_json(WRITTEN / "model-4.json")["sha256"]
    assert stored.startswith(f"sha256:{model.fingerprint}")
    assert estimate.chance_by(10) == pytest.approx(0.410285, abs=1e-6)
    pooled = load_evidence(WRITTEN / "pooled-1.json")
    assert pooled.duration_prior()["skin_type"] == pytest.approx((-0.087846, 0.153696), abs=1e-6)
    share = read_json(WRITTEN / "share-2.json")
    other = share_log(forecast.simulate_log(120, seed=23))
    assert pool_shares([unsealed(share, named="", remedy=""), other]).mean == pytest.approx(
        pooled.mean
    )
    book = shutil.copy(WRITTEN / "daybook-1.sqlite", tmp_path)
    log = forecast.read_log(book)
    assert (len(log.courses), len(log.sessions), len(log.gradings)) == (8, 65, 66)


@pytest.mark.parametrize("name", ["model-4.json", "share-2.json", "pooled-1.json"])
@pytest.mark.parametrize("step", [-1, 1])
def test_files_of_other_schemas_are_refused_with_a_remedy(tmp_path, name, step):
    stored = read_json(WRITTEN / name)
    del stored["sha256"]
    stored["schema"] += step
    path = tmp_path / name
    path.write_text(json.dumps(stored))
    kind, _, _ = name.partition("-")
    opens = {
        "model": forecast.load_forecaster,
        "share": lambda one: pool_shares([read_json(one), read_json(one)]),
        "pooled": load_evidence,
    }
    with pytest.raises(RequestError, match=rf"schema {stored['schema']}.*(again|Fit)"):
        opens[kind](path)
