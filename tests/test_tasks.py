"""The two commands: make and the script behind it offer the same, and refuse in words."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def run_tasks(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, ROOT / "tasks.py", *arguments], capture_output=True, text=True
    )


@pytest.mark.parametrize("arguments", [(), ("divine",)])
def test_without_a_known_task_the_script_lists_them(arguments: tuple[str, ...]):
    done = run_tasks(*arguments)
    assert done.returncode == 2
    listed = re.findall(r"^  (\w+)  ", done.stderr, re.MULTILINE)
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    (targets,) = re.findall(r"^\.PHONY: (.*)$", makefile, re.MULTILINE)
    assert listed == targets.split()


# The continuous check is a bash script that calls make: neither is part of Windows, where tasks.py
# is called directly, as the other tests here do.
@pytest.mark.skipif(os.name == "nt", reason="bash and make are not part of Windows")
def test_the_continuous_check_runs_tests_style_and_studies_and_is_executable():
    script = ROOT / ".ci" / "run"
    assert os.access(script, os.X_OK)
    assert subprocess.run(["bash", "-n", script]).returncode == 0
    parts = re.findall(r"make (\w+)$", script.read_text(encoding="utf-8"), re.MULTILINE)
    assert parts == ["test", "lint", "slow"]


def test_the_script_can_be_read_by_an_old_python_that_then_says_what_is_missing():
    # 3.7 is the oldest whose grammar the annotations need; nothing newer may creep in
    import ast

    ast.parse((ROOT / "tasks.py").read_text(encoding="utf-8"), feature_version=(3, 7))
