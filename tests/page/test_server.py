"""The server: strict headers, an access code, nothing logged, and no request that breaks it."""

import http.client
import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from markupsafe import escape

import forecast
from forecast.log import ATTRIBUTES
from forecast.page.desk import Desk
from forecast.page.server import HEADERS, LARGEST_BODY, is_local, new_code, serve

JSON = "application/json"
CODE = "abc-DEF_123"
MALFORMED = settings(
    max_examples=250,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=10,
)
FIELDS = [*ATTRIBUTES]
likely = st.sampled_from(
    ["V", "black", "1e400", "-0", "٣", "NaN", "0x10", "9" * 30, "1e-320", " 5 ", "5,5", "99", 99]
)
GARBAGE = (
    b"\x00\x01\x02\r\n\r\n",
    b"GET / HTTP/9.9\r\nHost: x\r\n\r\n",
    b"POST /answer HTTP/1.1\r\nContent-Length: -5\r\n\r\n",
    b"POST /answer HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
    b"GET /" + b"a" * 70_000 + b" HTTP/1.1\r\nHost: x\r\n\r\n",
)


def test_the_answer_carries_the_estimates_own_numbers(
    client: Any, desk: Desk, filled: dict[str, Any]
):
    reply = client.post("/answer", filled)
    assert reply.status == 200
    found = reply.json()
    enquiry = forecast.Enquiry("V", "forearm", "black;red", "medium", "single")
    assert found["estimate"] == desk.forecasters["clear"].estimate(enquiry).to_dict()
    assert set(found["parts"]) == {"headline", "picture", "details"}


def test_twenty_enquiries_are_answered_with_the_forecasters_numbers(client: Any, desk: Desk):
    courses = forecast.simulate_log(20, seed=3).courses[[*ATTRIBUTES]]
    for row in courses.to_dict("records"):
        enquiry = forecast.Enquiry(**row)
        sent = {name: getattr(enquiry, name) for name in ATTRIBUTES}
        found = client.post("/answer", {**sent, "inks": str(enquiry.inks).split(";")}).json()
        assert found["estimate"] == desk.forecasters["clear"].estimate(enquiry).to_dict()


@pytest.mark.parametrize("path", ["/", "/static/page.js", "/static/nothing.js", "/logo", "/none"])
def test_every_reply_has_the_strict_headers(client: Any, path: str):
    reply = client.get(path)
    for name, value in HEADERS.items():
        assert reply.headers[name] == value
    assert "frame-ancestors 'none'" in reply.headers["content-security-policy"]
    assert "unsafe" not in reply.headers["content-security-policy"]
    assert "set-cookie" not in reply.headers


def test_the_page_names_no_other_host_and_has_no_inline_code(client: Any):
    page = client.get("/").text
    assert "http" not in page.replace("http-equiv", "")
    assert "<script>" not in page
    assert "style=" not in page
    assert 'onclick="' not in page


def test_the_whole_page_weighs_less_than_the_goal(client: Any, filled: dict[str, Any]):
    files = ["/", "/static/page.js", "/static/page.css", "/static/pictures.css"]
    weight = sum(len(client.get(path).content) for path in files)
    weight += len(client.post("/answer", filled).content)
    assert weight < 200_000


@pytest.mark.parametrize(
    "path", ["/", "/wrong/", f"/{CODE}x/", f"/{CODE[:-1]}/", "/static/page.js"]
)
def test_a_wrong_access_code_opens_nothing(coded: Any, path: str):
    reply = coded.get(path)
    assert reply.status == 403
    assert CODE not in reply.text
    assert "text/plain" in reply.headers["content-type"]
    assert reply.headers["cache-control"] == "no-store"


def test_the_right_access_code_opens_everything(coded: Any, filled: dict[str, Any]):
    assert "<title>" in coded.get(f"/{CODE}/").text
    assert coded.get(f"/{CODE}").headers["location"] == f"/{CODE}/"
    assert coded.get(f"/{CODE}/static/page.js").status == 200
    assert coded.post(f"/{CODE}/answer", filled).json()["state"] == "answered"
    assert CODE not in coded.get(f"/{CODE}/").text


def test_access_codes_are_long_and_differ():
    codes = {new_code() for _ in range(100)}
    assert len(codes) == 100
    assert min(map(len, codes)) >= 22


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "10.0.0.5:80"])
def test_a_local_page_answers_only_this_computer(client: Any, host: str):
    assert client.get("/", host=host).status == 403


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost:1", "[::1]:8765"])
def test_names_of_this_computer_are_answered(client: Any, host: str):
    assert client.get("/", host=host).status == 200


@pytest.mark.parametrize("path", ["/", "/answer", "/sheet"])
@pytest.mark.parametrize("length", [10_000_011, 5, None], ids=["true", "a lie", "not said"])
def test_a_body_of_10_mb_is_refused_and_not_even_read(client: Any, path: str, length: int | None):
    read = 0

    def chunks():
        nonlocal read
        for _ in range(1_000):
            read += 10_000
            yield b"a" * 10_000

    reply = client.send("POST", path, chunks(), kind=JSON, length=length)
    assert reply.status == 413
    assert read <= LARGEST_BODY + 20_000


@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"[" * 20_000, b"\xff\xfe", b"9" * 5_000, b'"\\ud800"', b"NaN", b'{"a":1e999}'],
)
def test_what_is_no_request_is_refused_in_words(client: Any, body: bytes):
    reply = client.send("POST", "/answer", [body], kind=JSON)
    assert reply.status == 422
    assert reply.json()["message"]


def test_other_kinds_of_content_are_refused(client: Any):
    # a form of another site cannot send JSON without asking first
    reply = client.send("POST", "/answer", [b"{}"], kind="text/plain")
    assert reply.status == 415


def test_wrong_values_come_back_beside_their_fields(client: Any, filled: dict[str, Any]):
    asked = {**filled, "age_years": "old", "spacing_weeks": "1000"}
    reply = client.post("/answer", asked)
    assert set(reply.json()["wrong"]) == {"age_years", "spacing_weeks"}
    assert "110" in reply.json()["wrong"]["age_years"]
    # they need not be there, so the answer stands and says what it was made without
    assert reply.json()["state"] == "answered"
    assert reply.json()["message"].endswith("cannot be read: age, Weeks between sessions.")
    assert client.post("/answer", {**asked, "skin_type": "VII"}).status == 422


def test_the_other_language_shows_what_was_typed(client: Any, filled: dict[str, Any]):
    form = {"asked": json.dumps(filled)}
    shown = client.post_form("/?language=de", form).text
    assert '<html lang="de">' in shown
    assert f'data-carried="{escape(form["asked"])}"' in shown
    assert 'data-carried=""' in client.get("/").text


def test_a_goal_without_a_model_reads_cannot_say(client: Any, filled: dict[str, Any]):
    found = client.post("/answer", {**filled, "goal": "lighten"}).json()
    assert found["state"] == "cannot say"
    assert found["message"].startswith("Cannot say")


def test_what_has_to_be_cleared_up_first_comes_first_in_the_bar_of_a_phone(
    client: Any, filled: dict[str, Any]
):
    found = client.post("/answer?language=de", filled | {"facts": ["granuloma"]}).json()
    assert found["short"].startswith("Erst ärztlich klären. Etwa ")


def test_the_page_speaks_the_language_asked_for(client: Any, filled: dict[str, Any]):
    assert '<html lang="de">' in client.get("/?language=de").text
    assert '<html lang="en">' in client.get("/?language=../de").text
    found = client.post("/answer?language=de", filled).json()
    assert "Sitzungen" in found["parts"]["headline"]


def test_the_sheet_is_made_from_what_the_page_holds(client: Any, filled: dict[str, Any]):
    form = {"asked": json.dumps(filled), "language": "de"}
    reply = client.post_form("/sheet", form)
    assert reply.status == 200
    assert "Ihre Tätowierung" in reply.text
    assert client.post_form("/sheet", {"asked": "{}"}).status == 422


def test_only_other_hosts_need_a_code():
    assert is_local("127.0.0.1")
    assert is_local("::1")
    assert not is_local("192.168.1.20")
    assert not is_local("clinic-desk")


def test_a_port_that_is_taken_is_refused_in_words(desk: Desk):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(forecast.RequestError, match=str(port)):
            serve(desk, announce=lambda address, local: None, port=port)


FIELDS += ["goal", "facts", "sessions_done", "gradings", "spacing_weeks", "start", "n"]


@MALFORMED
@given(sent=st.dictionaries(st.sampled_from(FIELDS), anything | likely))
def test_no_malformed_value_breaks_the_answer(
    client: Any, filled: dict[str, Any], sent: dict[str, Any]
):
    reply = client.post("/answer", {**filled, **sent})
    assert reply.status in (200, 422)
    assert reply.json()["state"] in ("answered", "incomplete", "wrong", "cannot say")


@MALFORMED
@given(body=st.binary(max_size=300) | anything.map(lambda value: json.dumps(value).encode()))
def test_no_malformed_body_breaks_the_answer(client: Any, body: bytes):
    reply = client.send("POST", "/answer", [body], kind=JSON)
    assert reply.status in (200, 422)


@MALFORMED
@given(
    body=st.binary(max_size=300) | st.text(max_size=100).map(lambda text: f"asked={text}".encode()),
    language=st.text(max_size=10),
)
def test_no_malformed_form_breaks_the_sheet(client: Any, body: bytes, language: str):
    reply = client.send("POST", f"/sheet?language={quote(language)}", [body])
    assert reply.status in (200, 422)


@MALFORMED
@given(
    method=st.sampled_from(["GET", "POST", "PUT", "DELETE", "HEAD", "OPTIONS", "PATCH", "TRACE"]),
    path=st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=40),
    body=st.binary(max_size=50),
)
def test_no_malformed_address_breaks_the_page(
    client: Any, coded: Any, method: str, path: str, body: bytes
):
    for one, prefix in ((client, ""), (coded, f"/{CODE}"), (coded, "")):
        reply = one.send(method, f"{prefix}/{quote(path)}", [body])
        assert reply.status < 500


def test_the_limit_is_far_above_what_the_page_sends(filled: dict[str, Any]):
    assert len(json.dumps(filled)) * 10 < LARGEST_BODY


def ask(port: int, method: str, path: str, body: str | None = None) -> tuple[int, str]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    connection.request(method, path, body, {"Content-Type": "application/json"})
    reply = connection.getresponse()
    text = reply.read().decode()
    connection.close()
    return reply.status, text


def break_off(port: int, path: str, rest: str) -> None:
    """Begin a request as the page would and leave before its body is there."""
    with socket.create_connection(("127.0.0.1", port), timeout=20) as talk:
        head = f"POST {path} HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
        talk.sendall(f"{head}{rest}".encode())


def first_line(port: int, sent: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", port), timeout=20) as talk:
        talk.sendall(sent)
        return talk.recv(4096).partition(b"\r\n")[0]


@contextmanager
def served(files: Path) -> Iterator[int]:
    """The page of this computer, served by a process of its own; gives its port."""
    command = [sys.executable, "-m", "forecast", "page", str(files / "model.json")]
    command += ["--port", "0", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        try:
            yield urlsplit(json.loads(running.stdout.readline())["address"]).port
        finally:
            running.send_signal(signal.SIGINT)
            running.communicate(timeout=20)


def held(port: int, sent: bytes, address: str = "") -> socket.socket:
    """A connection that begins and does not go on; on Linux this computer has many addresses."""
    source = (address, 0) if address else None
    talk = socket.create_connection(("127.0.0.1", port), timeout=20, source_address=source)
    with suppress(OSError):  # some are dropped while the next come
        talk.sendall(sent)
    return talk


HALVES = (
    b"",
    b"GET / HT",
    b"POST /answer HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
    b"Content-Length: 9\r\n\r\nab",
)


@pytest.mark.slow
def test_half_a_request_is_dropped_after_ten_seconds(files: Path):
    with served(files) as port:
        talks = [held(port, sent) for sent in HALVES]
        start = time.monotonic()
        for talk in talks:
            with suppress(ConnectionResetError):
                assert talk.recv(100) == b""
            assert 8 < time.monotonic() - start < 14
            talk.close()


def check_answers_beside(hostile: int, port: int, filled: dict[str, Any], limit: float) -> None:
    """Hold connections from this address and others, then ask; each answer within the limit."""
    body = json.dumps(filled)
    assert ask(port, "POST", "/answer", body)[0] == 200  # what is loaded once is loaded
    many = sys.platform == "linux"
    talks = []
    for n in range(hostile):
        address = f"127.0.0.{1 + n % 9}" if many else ""
        talks.append(held(port, HALVES[n % len(HALVES)], address))
    for _ in range(3):
        start = time.monotonic()
        assert ask(port, "POST", "/answer", body)[0] == 200
        assert time.monotonic() - start < limit
    for talk in talks:
        talk.close()


def test_three_hundred_connections_that_only_hold_the_line_shut_nobody_out(
    files: Path, filled: dict[str, Any]
):
    with served(files) as port:
        check_answers_beside(300, port, filled, limit=20.0)  # whatever else this machine does


@pytest.mark.slow
def test_beside_a_thousand_hostile_connections_an_answer_comes_within_a_second(
    files: Path, filled: dict[str, Any]
):
    with served(files) as port:
        check_answers_beside(1000, port, filled, limit=1.0)


def test_a_page_in_the_network_needs_its_code_and_logs_nothing(files: Path, filled: dict[str, Any]):
    command = [sys.executable, "-m", "forecast", "page", str(files / "model.json")]
    command += ["--host", "0.0.0.0", "--port", "0", "--json"]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, **pipes) as running:
        said = json.loads(running.stdout.readline())
        address = urlsplit(said["address"])
        assert said["local"] is False
        code = address.path.strip("/")
        assert len(code) >= 22
        assert ask(address.port, "GET", "/")[0] == 403
        assert ask(address.port, "GET", f"/{code[:-1]}x/")[0] == 403
        assert ask(address.port, "GET", address.path)[0] == 200
        secret = json.dumps({**filled, "age_years": "a private matter"})
        status, text = ask(address.port, "POST", f"{address.path}answer", secret)
        assert (status, "age_years" in text) == (200, True)
        assert "private" not in text
        for sent in GARBAGE:
            assert b" 500 " not in first_line(address.port, sent)
        for rest in ("Content-Length: 500\r\n\r\nabc", "Transfer-Encoding: chunked\r\n\r\nzz\r\n"):
            break_off(address.port, f"{address.path}answer", rest)
        assert ask(address.port, "POST", f"{address.path}answer", json.dumps(filled))[0] == 200
        running.send_signal(signal.SIGINT)
        rest, errors = running.communicate(timeout=20)
    assert (rest, errors) == ("", "")
    assert running.returncode == 0
