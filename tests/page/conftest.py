"""One desk and one running page for all tests that only look at them."""

import contextlib
import json
import shutil
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote_to_bytes, urlencode

import anyio
import pytest
import uvicorn

from forecast.counts import LogSummary
from forecast.forecaster import Forecaster
from forecast.page.desk import Clinic, Desk, open_desk, read_asked
from forecast.page.server import make_app
from forecast.prices import tariff_template

CODE = "abc-DEF_123"
FILLED: dict[str, Any] = {
    "inks": ["black", "red"],
    "ink_density": "medium",
    "layering": "single",
    "body_site": "forearm",
    "skin_type": "V",
    "start": "2031-03-03",
    "spacing_weeks": "8",
}


@dataclass(frozen=True)
class Reply:
    """What came back."""

    status: int
    headers: dict[str, str]
    content: bytes

    @property
    def text(self) -> str:
        return self.content.decode("utf-8")

    def json(self) -> Any:
        return json.loads(self.content)


class Client:
    """Sends requests as a server would hand them over; an exception of the page is raised here."""

    def __init__(self, app: Any, host: str = "127.0.0.1:8765") -> None:
        self.app = app
        self.host = host

    def get(self, path: str, *, host: str | None = None) -> Reply:
        return self.send("GET", path, host=host)

    def post(self, path: str, sent: Any) -> Reply:
        """Send JSON, as the page does."""
        body = json.dumps(sent).encode()
        return self.send("POST", path, [body], kind="application/json")

    def post_form(self, path: str, form: dict[str, str]) -> Reply:
        kind = "application/x-www-form-urlencoded"
        return self.send("POST", path, [urlencode(form).encode()], kind=kind)

    def send(
        self,
        method: str,
        path: str,
        body: Iterable[bytes] = (),
        *,
        kind: str = "",
        host: str | None = None,
        length: int | None = None,
    ) -> Reply:
        """Send any request; ``length`` is what it says of its own size."""
        address, _, query = path.partition("?")
        headers = [(b"host", (self.host if host is None else host).encode("latin-1", "replace"))]
        headers += [(b"content-type", kind.encode())] if kind else []
        headers += [] if length is None else [(b"content-length", str(length).encode())]
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": unquote_to_bytes(address).decode("utf-8", "replace"),
            "raw_path": address.encode(),
            "query_string": query.encode("utf-8", "replace"),
            "root_path": "",
            "headers": headers,
            "client": ("127.0.0.1", 1),
            "server": ("127.0.0.1", 8765),
        }
        # in a thread of its own: an open browser keeps this one's event loop
        with ThreadPoolExecutor(max_workers=1) as apart:
            return apart.submit(anyio.run, self._exchange, scope, iter(body)).result()

    async def _exchange(self, scope: dict[str, Any], chunks: Any) -> Reply:
        got: list[Any] = []

        async def receive() -> dict[str, Any]:
            chunk = next(chunks, None)
            return {"type": "http.request", "body": chunk or b"", "more_body": chunk is not None}

        async def send(message: Any) -> None:
            got.append(message)

        await self.app(scope, receive, send)
        start = next(one for one in got if one["type"] == "http.response.start")
        headers = {name.decode(): value.decode() for name, value in start["headers"]}
        content = b"".join(one.get("body", b"") for one in got)
        return Reply(start["status"], headers, content)


@pytest.fixture(scope="session")
def files(forecaster: Forecaster, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a saved model, a tariff and an enquiry."""
    folder = tmp_path_factory.mktemp("page")
    forecaster.save(folder / "model.json")
    (folder / "tariff.toml").write_text(tariff_template(), encoding="utf-8")
    (folder / "enquiry.csv").write_text(
        "skin_type,body_site,inks,ink_density,layering\nV,forearm,black;red,medium,single\n",
        encoding="utf-8",
    )
    return folder


@pytest.fixture(scope="session")
def lightener(forecaster: Forecaster) -> Forecaster:
    """Return a forecaster of the other goal, whose numbers differ from the first one's."""
    wanted = {"n_courses": 40, "n_reached": 35, "n_stopped": 2, "n_ongoing": 3, "n_other": 0}
    wanted |= {"followed_to": 20}
    stored = {**forecaster.log_summary.to_dict(), "lightening": wanted}
    summary = LogSummary.from_dict(stored)
    return replace(forecaster, goal="lighten", horizon=20, log_summary=summary)


@pytest.fixture(scope="session")
def desk(files: Path) -> Desk:
    return open_desk(files / "model.json", tariff=files / "tariff.toml")


@pytest.fixture(scope="session")
def full_desk(desk: Desk, lightener: Forecaster) -> Desk:
    """A desk with both goals and a clinic."""
    clinic = Clinic(name="Example Laser Clinic", closing="See you soon.")
    return Desk({**desk.forecasters, "lighten": lightener}, desk.tariff, clinic)


@pytest.fixture
def filled() -> dict[str, Any]:
    """Return what the page sends once all that is needed is filled in."""
    return dict(FILLED)


@pytest.fixture
def asked(filled: dict[str, Any]) -> Any:
    return read_asked(filled).asked


@pytest.fixture(scope="session")
def client(desk: Desk) -> Client:
    """Return a client of the page as this computer sees it."""
    return Client(make_app(desk))


@pytest.fixture(scope="session")
def coded(desk: Desk) -> Client:
    """Return a client of a page in the clinic's network, with its access code."""
    return Client(make_app(desk, code=CODE), host="desk.example:8765")


@contextlib.contextmanager
def serving(files: Path, *more: str) -> Iterator[str]:
    """Start the page as the command does, yield its address, and end it as a person would."""
    command = [sys.executable, "-m", "forecast", "page", str(files / "model.json")]
    command += ["--tariff", str(files / "tariff.toml"), "--port", "0", "--json", *more]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        yield json.loads(running.stdout.readline())["address"]
        running.send_signal(signal.SIGINT)
        assert running.wait(timeout=10) == 0
        # nothing that was typed is printed: the address was the only line
        assert running.stdout.read() == ""


@contextlib.contextmanager
def serving_here(app: Any) -> Iterator[str]:
    """Serve an app from a thread of this process, which saves a start, and yield its address."""
    server = uvicorn.Server(uvicorn.Config(app, log_level="error", lifespan="off", ws="none"))
    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}/"
        finally:
            server.should_exit = True
            thread.join(timeout=10)
        assert not thread.is_alive()


@pytest.fixture(scope="session")
def page_address(files: Path) -> Iterator[str]:
    """Yield the address of the page without a daybook."""
    with serving(files) as address:
        yield address


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Yield a headless Chromium, or skip where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api")
    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
    if program is None:
        pytest.skip("no Chromium is installed")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(
            executable_path=program,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield running
        running.close()
