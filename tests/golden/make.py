"""Run every case in this process and write what came out, a JSON file each.

``python tests/golden/make.py`` takes the stored outputs anew. ``--into FOLDER`` writes them
elsewhere: made so from two trees, ``diff -r`` compares them byte for byte.
"""

import argparse
import contextlib
import io
import json
import os
import re
import sys
import tempfile
import warnings
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(path) for path in (ROOT, HERE) if str(path) not in sys.path]

from cases import CASES, PAGE_REQUESTS, Case, parsed, write_inputs  # noqa: E402

import forecast  # noqa: E402
from forecast.cli import main  # noqa: E402

Output = dict[str, Any]
STILL = {"COLUMNS": "100", "NO_COLOR": "1"}  # usage is wrapped as wide everywhere


def take() -> dict[str, Output]:
    """Return what every case gave, by name."""
    with workshop() as folder:
        taken = {one.name: run(one, folder) for one in CASES}
        taken |= ask_page(folder)
    assert len(taken) == len(CASES) + 2 * len(PAGE_REQUESTS)
    return taken


@contextlib.contextmanager
def workshop() -> Iterator[Path]:
    """Yield a temporary folder with all inputs, as the current folder."""
    with tempfile.TemporaryDirectory(prefix="golden-") as name, contextlib.ExitStack() as stack:
        folder = Path(name).resolve()
        write_inputs(folder, ROOT / "synthetic_data" / "tangled")
        stack.enter_context(contextlib.chdir(folder))
        stack.enter_context(mock.patch.dict(os.environ, STILL))
        stack.enter_context(warnings.catch_warnings())
        # That nothing warns is held by the tests of each room, where it is an error. Here what is
        # printed and written is compared, and a library's warning differs by version.
        warnings.simplefilter("ignore")  # by version libraries warn of other things, on stderr
        yield folder


def run(one: Case, folder: Path) -> Output:
    """Run one command and return its exit code, what it printed and what it wrote."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code: Any = main(list(one.arguments))
        except SystemExit as stopped:
            code = stopped.code
    left = [folder / name for name in one.written if (folder / name).is_file()]
    return {
        "command": " ".join(one.arguments),
        "exit": code,
        "printed": parsed(steady(out.getvalue(), folder)),
        "errors": steady(err.getvalue(), folder).splitlines(),
        "written": {path.name: parsed(steady(path.read_text("utf-8"), folder)) for path in left},
    }


def ask_page(folder: Path) -> dict[str, Output]:
    """Return the page's answers to every request, in both languages."""
    from starlette.testclient import TestClient

    from forecast.page import make_app, open_desk

    desk = open_desk(folder / "model.json", tariff=folder / "tariff.toml")
    client = TestClient(make_app(desk), base_url="http://127.0.0.1:8765")
    given = {}
    for name, request in PAGE_REQUESTS.items():
        for language in ("en", "de"):
            reply = client.post(f"/answer?language={language}", json=request)
            answer = parsed(steady(reply.text, folder))
            given[f"page-{name}-{language}"] = {"status": reply.status_code, "answer": answer}
    return given


def steady(text: str, folder: Path) -> str:
    """Return a text without what differs from day to day and from machine to machine."""
    for path, name in ((folder, "FOLDER"), (ROOT, "ROOT")):
        text = text.replace(str(path), f"<{name}>")
    for name, day in (("TODAY", date.today()), ("VALID", date.today() + timedelta(days=90))):
        for written in written_days(day):
            text = text.replace(written, f"<{name}>")
    text = re.sub(r"sha256:[0-9a-f]{64}", "sha256:<SUM>", text)  # of numbers to the last digit
    version = re.escape(forecast.__version__)
    return re.sub(rf"(forecast\W{{1,3}}){version}", r"\1<VERSION>", text)


def written_days(day: date) -> list[str]:
    """Return a day as the program writes it, in both languages."""
    from forecast.page import load_words

    return [day.isoformat(), *(load_words(language).day(day) for language in ("en", "de"))]


def store(taken: dict[str, Output], folder: Path) -> None:
    """Write the outputs, and remove those of cases that are no more."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.json"):
        old.unlink()
    for name, output in taken.items():
        text = json.dumps(output, indent=1, ensure_ascii=False)
        (folder / f"{name}.json").write_text(f"{text}\n", encoding="utf-8")


def stored(folder: Path = HERE) -> dict[str, Output]:
    """Return the stored outputs by name."""
    return {path.stem: json.loads(path.read_text("utf-8")) for path in folder.glob("*.json")}


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--into", type=Path, default=HERE, help="another folder to write to")
    target = parser.parse_args().into.absolute()
    store(take(), target)
