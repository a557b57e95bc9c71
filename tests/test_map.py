"""The map of the house in DEVELOPERS.md names every file, with the first line of its docstring.

Run as a script it prints the map as it should be.
"""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "forecast"


def map_of_the_house() -> list[str]:
    """Return one line a file: where it is, and the question that it answers."""
    lines = []
    for path in sorted(PACKAGE.rglob("*.py")):
        first = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").split("\n")
        lines.append(f"- `{path.relative_to(PACKAGE)}`: {first[0].rstrip('.')}")
    return lines


def test_the_map_names_every_file_and_says_what_it_answers():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    shown = [line for line in text if line.startswith("- `") and ".py`: " in line]
    assert shown == map_of_the_house()


def test_every_module_has_its_tests_beside_it():
    modules = (path.relative_to(PACKAGE) for path in PACKAGE.rglob("*.py"))
    beside = [
        one.with_name(f"test_{one.name.lstrip('_')}") for one in modules if one.stem[-2:] != "__"
    ]
    assert [one for one in beside if not (ROOT / "tests" / one).exists()] == []


def test_every_file_of_a_task_is_there():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("## Where to go")[1].split("\n## ")[0]
    named = [name for row in table.splitlines() for name in row.split("`")[1::2] if "/" in name]
    missing = [name for name in named if not (ROOT / name).exists()]
    assert named
    assert missing == []


def test_every_file_that_a_reason_names_is_there():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("\n## Changes")[0]
    named = set(re.findall(r"`(\w+/[\w/]+\.(?:py|toml|html))`", text))
    assert len(named) > 30
    assert [one for one in named if not any((at / one).exists() for at in (PACKAGE, ROOT))] == []


if __name__ == "__main__":
    print("\n".join(map_of_the_house()))
