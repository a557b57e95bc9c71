"""Nothing of one machine, and nothing of a package registry, is stored in the project."""

import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[1]
SKIPPED = {".git", ".venv", "build", "dist", "tour-output"}
TEXT = {".py", ".md", ".toml", ".txt", ".ipynb", ".csv", ".json", ".html", ".js", ".css", ".yml"}
TEXT |= {"", ".R"}

# A home folder, a drive's, a temporary folder, and where the project lies now.
MACHINE_PATH = re.compile(
    r"/(?:home/[a-z]\w*|root|Users/\w+)/|/(?:tmp)/[a-z]|\b[A-Z]:\\+Users|" + re.escape(f"{ROOT}/")
)
REGISTRY = re.compile(
    r"pypi\.org|pythonhosted\.org|registry\.npmjs|anaconda\.org|index-url|extra-index|trusted-host",
    re.IGNORECASE,
)


def stored_files() -> list[Path]:
    """Return what git keeps, or every file where there is no git."""
    try:
        listing = subprocess.run(
            ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True, text=True
        ).stdout
        files = [ROOT / name for name in listing.split("\0") if name]
    except (OSError, subprocess.CalledProcessError):
        files = [
            path for path in ROOT.rglob("*") if not SKIPPED & set(path.relative_to(ROOT).parts)
        ]
    return [path for path in files if path.is_file() and path.suffix in TEXT]


def test_no_stored_file_names_a_machine_or_a_registry():
    named = []
    for path in stored_files():
        text = "" if path == Path(__file__) else path.read_text(encoding="utf-8")
        for pattern in (MACHINE_PATH, REGISTRY):
            for found in pattern.finditer(text):
                line = text[: found.start()].count("\n") + 1
                named.append(f"{path.relative_to(ROOT)}, line {line}: {found.group()}")
    assert named == []


def test_stored_text_is_utf8_with_unix_line_ends():
    for path in stored_files():
        data = path.read_bytes()
        data.decode("utf-8")
        # a CSV kept by a receptionist may end its lines as that machine did
        if path.suffix != ".csv":
            assert b"\r\n" not in data, path
