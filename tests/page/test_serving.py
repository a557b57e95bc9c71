"""The page in the clinic's network: a code in the address, and nothing of a client is logged."""

import http.client
import json
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

GARBAGE = (
    b"\x00\x01\x02\r\n\r\n",
    b"GET / HTTP/9.9\r\nHost: x\r\n\r\n",
    b"POST /answer HTTP/1.1\r\nContent-Length: -5\r\n\r\n",
    b"POST /answer HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
    b"GET /" + b"a" * 70_000 + b" HTTP/1.1\r\nHost: x\r\n\r\n",
)


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
        assert status == 422
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
