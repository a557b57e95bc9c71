"""What was acknowledged is there: after kill -9, with two writers, on a full disk, read-only."""

import os
import random
import shutil
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path
from typing import TextIO

import pytest

from forecast.daybook import (
    Daybook,
    check_book,
    read_promises,
)
from forecast.errors import DataError

from .conftest import promised, visit

ROOT = Path(__file__).parents[2]
# Processes are forked and killed, and files limited, in ways that Windows lacks; its share is
# held by the other tests of this file, which run everywhere, and by those of tests/test_files.py.
unix = pytest.mark.skipif(os.name != "posix", reason="Windows can neither fork nor limit a file")


def writer(path: Path, code: str) -> tuple[int, TextIO]:
    """Fork a writer of promises and sessions, which says each once it is acknowledged."""
    reading, writing = os.pipe()
    child = os.fork()
    if child:
        os.close(writing)
        return child, os.fdopen(reading, encoding="ascii")
    try:
        with Daybook(path) as book:
            for number in range(10**6):
                kept = book.keep(promised(f"{code}{number}"), by="op1")
                os.write(writing, f"{kept.promise_no}\n".encode())
                version = book.course(kept.course_id).version
                book.write_session(kept.course_id, visit(3, 10), version=version, by="op1")
                os.write(writing, f"{-kept.promise_no}\n".encode())
    finally:
        os._exit(1)  # never back into the tests


def killed(child: int, said: TextIO) -> list[str]:
    """Kill a writer and return the whole lines that it said."""
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with said:
        return [line.strip() for line in said if line.endswith("\n")]


def missing_after(path: Path, said: list[str]) -> list[str]:
    """Return which acknowledged entries are not in the book, and what is wrong with the file."""
    with Daybook(path) as book:
        asked = "SELECT course_id FROM promises_now WHERE promise_no = ?"
        lost = []
        for line in said:
            found = book.rows(asked, abs(int(line)))
            given = found and book.course(found[0]["course_id"]).sessions
            if not found or (line.startswith("-") and not given):
                lost.append(line)
        whole = [row["integrity_check"] for row in book.rows("PRAGMA integrity_check")]
        loose = book.rows("PRAGMA foreign_key_check")
    return lost + [one for one in whole if one != "ok"] + [str(one) for one in loose]


def kill_at_random(path: Path, times: int, seed: int) -> int:
    """Kill a writer so often at random moments, and return how many entries it acknowledged."""
    draw, total = random.Random(seed), 0
    for place in range(times):
        child, pipe = writer(path, f"k{place}x")
        time.sleep(draw.uniform(0.0, 0.15))
        said = killed(child, pipe)
        assert missing_after(path, said) == []
        total += len(said)
    return total


@unix
def test_kill_9_at_random_moments_loses_nothing(book, tmp_path):
    book.close()
    assert kill_at_random(book.path, 20, seed=1) > 20


@unix
@pytest.mark.slow
def test_kill_9_five_hundred_times_loses_nothing(book):
    book.close()
    assert kill_at_random(book.path, 500, seed=2) > 500


OPENS_AND_CLOSES = """
import sys
from forecast.daybook import Daybook
with Daybook(sys.argv[1]) as book:
    print(len(book.rows("SELECT 1 FROM promises_now")))
"""


def seen_by_another(path: Path) -> int:
    """Return how many promises another process finds, which opens and closes the book."""
    command = [sys.executable, "-c", OPENS_AND_CLOSES, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=True)
    return int(done.stdout)


def test_reading_in_the_program_that_writes_does_not_let_another_take_the_journal_away(book):
    book.keep(promised("k1"), by="op1")
    assert len(read_promises(book.path)) == 1
    Daybook(book.path).close()
    assert seen_by_another(book.path) == 1
    book.keep(promised("k2"), by="op1")
    assert seen_by_another(book.path) == 2


@unix
def test_two_writers_at_once_lose_nothing(book):
    book.close()
    pair = [writer(book.path, code) for code in ("a", "b")]
    time.sleep(2)
    said = [line for child, pipe in pair for line in killed(child, pipe)]
    assert len(said) > 4
    assert missing_after(book.path, said) == []


def keep_many(book: Daybook) -> None:
    for number in range(500):
        book.keep(promised(f"k{number}"), by="op1")


def test_a_full_disk_is_told_and_what_was_there_is_whole(book):
    kept = book.keep(promised(), by="op1")
    pages = book.book.execute("PRAGMA page_count").fetchone()[0]
    book.book.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(DataError, match=r"The disk is full.*this entry is not in it"):
        keep_many(book)
    book.book.execute("PRAGMA max_page_count = 1000000")
    before = read_promises(book.path)
    assert before[0] == kept
    assert book.keep(promised(), by="op1").promise_no == before[-1].promise_no + 1
    assert check_book(book.path)[0] == []


@unix
def test_a_file_that_may_not_grow_is_told_and_loses_nothing(book):
    """The same as the system says it: no write beyond a size, as a quota has it."""
    import resource

    book.keep(promised(), by="op1")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    wal = book.path.with_name("book.sqlite-wal")
    resource.setrlimit(resource.RLIMIT_FSIZE, (wal.stat().st_size + 9000, before[1]))
    try:
        with pytest.raises(DataError, match="this entry is not in it"):
            keep_many(book)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, ignored)
    there = len(read_promises(book.path))
    assert book.keep(promised(), by="op1").promise_no == there + 1
    assert check_book(book.path)[0] == []


# the superuser may write everywhere: as another user, in a process of its own
AS_NOBODY = """
import os, sys
import forecast
from forecast.daybook import Daybook
from forecast.errors import ForecastError
forecast.read_log(sys.argv[2])  # loads what the other user might not be able to load
os.setgid(65534); os.setuid(65534)
print(len(forecast.read_log(sys.argv[1]).courses))
try:
    Daybook(sys.argv[1])
except ForecastError as error:
    print(error)
"""


@unix
def test_a_read_only_folder_can_be_read_and_refuses_to_be_written(full_book, tmp_path):
    full_book.close()
    folder = Path("/tmp") / f"read-only-{os.getpid()}"
    folder.mkdir()
    try:
        shutil.copy(full_book.path, folder / "book.sqlite")
        os.chmod(folder / "book.sqlite", stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH)
        os.chmod(folder, 0o555)
        if os.geteuid():
            pytest.skip("needs the right to become another user")
        command = [sys.executable, "-c", AS_NOBODY, str(folder / "book.sqlite")]
        command.append(str(full_book.path))
        done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
        said = done.stdout.splitlines()
        assert said[:1] == ["40"], done.stderr
        assert "read-only" in said[1]
    finally:
        os.chmod(folder, 0o755)
        shutil.rmtree(folder)
