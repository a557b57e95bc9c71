"""Make the environment and run a task in it, on any system: ``python tasks.py demo``.

Needs nothing but Python 3.11 or newer with pip. The environment is ``.venv``, installed from
``pyproject.toml`` within ``constraints.txt`` and installed again only when one of them changes.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
STAMP = VENV / "installed.json"
OLDEST = (3, 11)

TASKS = {
    "demo": "walk the whole job on the invented clinic and write tour-output/",
    "test": "run the tests (not the slow studies)",
    "lint": "check style and types",
    "slow": "run the simulation studies",
    "notebooks": "open the notebooks in JupyterLab",
    "bill": "write what the program rests on to bill-of-materials.json (CycloneDX)",
}
EXTRAS = {
    "demo": "page",
    "test": "test",
    "lint": "test",
    "slow": "test",
    "notebooks": "notebooks",
    "bill": "test",
}
# Each process takes half of the list in order, so that neighbours share what is made once, and
# the one that is done first helps the other. A study shared within its file is not made twice.
QUICKLY = ["-n", "2", "--dist", "worksteal"]
BY_FILE = ["-n", "2", "--dist", "loadfile"]
COMMANDS = {
    "demo": [["-m", "forecast", "tour"]],
    "test": [["-m", "pytest", "-q", *QUICKLY]],
    "lint": [
        ["-m", "ruff", "check", "."],
        ["-m", "ruff", "format", "--check", "."],
        ["-m", "mypy"],
    ],
    "slow": [["-m", "pytest", "-q", "-m", "slow", "--durations=15", *BY_FILE]],
    "notebooks": [["-m", "jupyterlab", "notebooks"]],
    "bill": [
        [
            "-W",
            "ignore:The Component this BOM:UserWarning",  # pins do not say who needs whom
            "-m",
            "cyclonedx_py",
            "requirements",
            "requirements.txt",
            "--pyproject",
            "pyproject.toml",
            "--output-reproducible",
            "--output-file",
            "bill-of-materials.json",
        ],
    ],
}


def main(arguments: list[str]) -> int:
    """Run the named task and return its exit code; further arguments go to its last command."""
    if not arguments or arguments[0] not in TASKS:
        wanted = "\n".join("  {:<10} {}".format(*pair) for pair in TASKS.items())
        print(f"usage: python tasks.py TASK [ARGUMENTS]\n\n{wanted}", file=sys.stderr)
        return 2
    task, rest = arguments[0], arguments[1:]
    install(EXTRAS[task])
    worst = 0
    for position, command in enumerate(COMMANDS[task], start=1):
        last = position == len(COMMANDS[task])
        code = run(PYTHON, *command, *(rest if last else []))
        worst = worst or code
    return worst


def install(extra: str) -> None:
    """Bring ``.venv`` up to date with the project's requirements, with ``extra`` among them."""
    state = {"requirements": digest(), "extras": []}
    if PYTHON.exists() and works(PYTHON):
        if STAMP.exists():
            old = json.loads(STAMP.read_text(encoding="utf-8"))
            state["extras"] = old["extras"]
            # the test extra holds all the others
            done = extra in old["extras"] or "test" in old["extras"]
            if done and old["requirements"] == state["requirements"]:
                return
    else:
        make_environment()
    state["extras"] = sorted({*state["extras"], extra})
    wanted = "{}[{}]".format(ROOT, ",".join(state["extras"]))
    print("Installing (a minute or two the first time)", file=sys.stderr, flush=True)
    pip = ["-m", "pip", "install", "-q", "--disable-pip-version-check"]
    if run(PYTHON, *pip, "-c", str(ROOT / "constraints.txt"), "-e", wanted):
        raise SystemExit("The installation failed; pip's reason is above. Nothing was run.")
    STAMP.write_text(json.dumps(state), encoding="utf-8")


def make_environment() -> None:
    """Make ``.venv`` afresh from the first Python that is new enough."""
    python = new_enough_python()
    if VENV.exists():
        shutil.rmtree(VENV)
    print(f"Making {VENV.name} with {python}", file=sys.stderr, flush=True)
    if run(python, "-m", "venv", str(VENV)) and borrow_pip(python):
        raise SystemExit(
            "Python could not make a virtual environment. Install its venv module "
            "(on Debian and Ubuntu the package python3-venv) and try again."
        )


def borrow_pip(python: str) -> int:
    """Make ``.venv`` where Python came without its own copy of pip; return 0 when it worked."""
    made = run(python, "-m", "venv", "--clear", "--without-pip", str(VENV))
    return made or run(python, "-m", "pip", "--python", str(PYTHON), "install", "-q", "pip")


def new_enough_python() -> str:
    """Return the path of a Python that is at least ``OLDEST``, or stop with a remedy."""
    names = ["python3.14", "python3.13", "python3.12", "python3.11", "python3", "python"]
    found = [sys.executable, *(shutil.which(name) or "" for name in names)]
    for candidate in found:
        if candidate and not inside_venv(candidate) and works(candidate):
            return candidate
    raise SystemExit(
        "No Python of version {}.{} or newer was found. Install one from your system's "
        "packages and try again.".format(*OLDEST)
    )


def inside_venv(python: str) -> bool:
    """Say whether ``python`` is the environment's own, which cannot make itself afresh."""
    return VENV in Path(python).absolute().parents


def works(python: str | Path) -> bool:
    """Say whether ``python`` starts and is new enough."""
    check = f"import sys; sys.exit(sys.version_info < {OLDEST})"
    try:
        return subprocess.run([str(python), "-c", check], capture_output=True).returncode == 0
    except OSError:
        return False


def digest() -> str:
    """Return a fingerprint of what the environment is installed from."""
    text = b"".join((ROOT / name).read_bytes() for name in ("pyproject.toml", "constraints.txt"))
    return hashlib.sha256(text + str(ROOT).encode()).hexdigest()


def run(python: str | Path, *arguments: str) -> int:
    """Run ``python`` in the project's folder and return its exit code."""
    environment = {**os.environ, "PYTHONUTF8": "1"}
    # one numerical thread per process: the work is shared out between processes instead
    environment.setdefault("OMP_NUM_THREADS", "1")
    # tests start hundreds of programs, each of which would compile the package anew
    environment["PYTHONDONTWRITEBYTECODE"] = ""
    return subprocess.run([str(python), *arguments], cwd=ROOT, env=environment).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
