"""The rooms of the package and who may know whom."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "forecast"
MODULES = sorted(PACKAGE.rglob("*.py"))

# A room imports only from rooms further up this list; the two of one line do not know each other.
LAYERS = [
    {"errors"},
    {"_checks", "_doors", "_jobs", "_types", "_files", "_notes"},
    {"survival"},
    {"assess", "causal"},
    {"clinic"},
    {"figures"},
    {"page"},
    {"__init__"},
    {"cli"},
    {"__main__"},
]
LEVEL = {room: level for level, rooms in enumerate(LAYERS) for room in rooms}

SINGULAR = {"session", "clinic", "laser", "tattoo", "pulse", "regime", "price"}
DOMAIN_WORDS = SINGULAR | {f"{word}s" for word in SINGULAR}


def room_of(path: Path) -> str:
    """Return the first folder inside the package, or the file's own name."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_rooms(path: Path) -> Iterator[tuple[int, str]]:
    """Yield the line and the room of every import of this package, wherever it stands."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: write the import from forecast down"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        else:
            continue
        for name in names:
            package, _, rest = name.partition(".")
            if package == "forecast":
                room = rest.partition(".")[0]
                yield node.lineno, room if room in LEVEL else "__init__"


def test_imports_go_down_the_layers():
    upward = [
        f"{path.relative_to(PACKAGE)}, line {line}: {room_of(path)} imports {room}"
        for path in MODULES
        for line, room in imported_rooms(path)
        if room != room_of(path) and LEVEL[room] >= LEVEL[room_of(path)]
    ]
    assert upward == []


def code_words(path: Path) -> set[str]:
    """Return the words of a module's identifiers; a docstring may give an example of the trade."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = [getattr(node, part, None) for part in ("id", "attr", "arg", "name", "module")]
        found |= {word for name in names if name for word in re.findall(r"[a-z]+", name.lower())}
    return found


@pytest.mark.parametrize("room", ["survival", "assess", "causal"])
def test_the_generic_core_knows_nothing_of_the_trade(room: str):
    named = {path.name: code_words(path) & DOMAIN_WORDS for path in (PACKAGE / room).rglob("*.py")}
    assert not {name: words for name, words in named.items() if words}


def test_every_room_has_its_place():
    assert {room_of(path) for path in MODULES} <= set(LEVEL)


def test_only_the_figures_room_imports_plotly():
    for path in MODULES:
        if room_of(path) == "figures":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported = {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                imported = {str(node.module).partition(".")[0]}
            else:
                continue
            assert "plotly" not in imported, f"{path.name} line {node.lineno}"
