"""The rooms of the package and who may know whom."""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "forecast"
MODULES = sorted(PACKAGE.rglob("*.py"))

# A room imports only from rooms further up this list; the two of one line do not know each other.
LAYERS = [
    {"_shipped"},
    {"errors", "_notes"},
    {"_arrays", "_checks", "_files", "_plain"},
    {"_jobs"},
    {"survival"},
    {"assess", "causal"},
    {"tattoo"},
    {"log"},
    {"daybook", "counts", "invented"},
    {"midcourse", "prices", "fading", "reactions", "reach", "sharing"},
    {"regimes"},
    {"forecaster"},
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


@cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """Return what a program is made of, taken apart once for all that is held of it."""
    return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


def imported_rooms(path: Path) -> Iterator[tuple[int, str]]:
    """Yield the line and the room of every import of this package, wherever it stands."""
    for node in nodes_of(path):
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


def offered(door: Path) -> dict[str, str]:
    """Return the names that a room's ``__init__`` offers, with the module each lives in."""
    found = {}
    for node in nodes_of(door):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("forecast."):
            found |= {alias.asname or alias.name: str(node.module) for alias in node.names}
    return found


DOORS = {
    ".".join(path.relative_to(ROOT).parent.parts): path for path in PACKAGE.rglob("__init__.py")
}


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def home_of(module: str, name: str) -> str:
    """Return the file that ``name`` comes from, looked up behind doors."""
    if module in DOORS:
        names = offered(DOORS[module])
        if name in names:
            return home_of(names[name], name)
        return f"{module}.{name}" if is_file(f"{module}.{name}") else f"{module}.__init__"
    return module


def imported_modules(path: Path) -> Iterator[str]:
    """Yield the file behind every import of this package."""
    for node in nodes_of(path):
        if isinstance(node, ast.ImportFrom) and str(node.module).partition(".")[0] == "forecast":
            yield from (home_of(str(node.module), alias.name) for alias in node.names)


def is_file(module: str) -> bool:
    return (ROOT / module.replace(".", "/")).with_suffix(".py").exists()


def test_no_import_goes_round_in_a_circle():
    files = [path for path in MODULES if path.name != "__init__.py"]
    needs = {module_of(path): set(imported_modules(path)) for path in files}
    settled = {f"{door}.__init__" for door in DOORS}
    while ready := {name for name in needs if name not in settled and needs[name] <= settled}:
        settled |= ready
    circular = {name: needs[name] - settled for name in needs if name not in settled}
    assert circular == {}


def test_from_outside_a_room_only_what_it_offers_is_imported():
    programs = [*MODULES, *(ROOT / "benchmarks").rglob("*.py"), *(ROOT / "tests").rglob("*.py")]
    inside = []
    for path in programs:
        own = set(path.relative_to(ROOT).parts[1:-1])
        if "fuzz" in own:
            continue  # knocks at every room that reads a file
        for node in nodes_of(path):
            if not isinstance(node, ast.ImportFrom) or not str(node.module).startswith("forecast."):
                continue
            room, _, file = str(node.module).removeprefix("forecast.").rpartition(".")
            study, package = (path.is_relative_to(one) for one in (ROOT / "benchmarks", PACKAGE))
            # a study measures the parts, and a test knows the truth that it plants
            behind = study or (room == "invented" and not package)
            if behind and str(node.module) not in DOORS:
                continue
            if room and room.split(".")[0] not in own and str(node.module) not in DOORS:
                inside.append(f"{path.relative_to(ROOT)}, line {node.lineno}: {node.module}")
            elif str(node.module) in DOORS and file not in own:
                door = DOORS[str(node.module)].read_text(encoding="utf-8")
                names = {*offered(DOORS[str(node.module)]), *re.findall(r"^def (\w+)", door, re.M)}
                inside += [
                    f"{path.relative_to(ROOT)}, line {node.lineno}: {node.module} offers no {name}"
                    for name in (alias.name for alias in node.names)
                    if name not in names
                ]
    assert inside == []


GENERIC = {
    "survival",
    "assess",
    "causal",
    "rates",
    "figures",
    "forecast",
    "cli",
}  # for whoever asks


def test_a_room_offers_only_what_is_used_outside_it():
    folders = [PACKAGE, *(ROOT / name for name in ("benchmarks", "synthetic_data", "tests"))]
    programs = [path for folder in folders for path in folder.rglob("*.py")]
    rooms = {door.rpartition(".")[2]: offered(path) for door, path in DOORS.items()}
    idle = {
        (room, name) for room in rooms.keys() - GENERIC for name in rooms[room].keys() - {"door"}
    }
    for path in programs:
        own = set(path.relative_to(ROOT).parts[1:-1])
        nodes = nodes_of(path)
        imports = [node for node in nodes if isinstance(node, ast.ImportFrom)]
        called = {one.asname: one.name for node in imports for one in node.names if one.asname}
        for node in imports:
            room = str(node.module).rpartition(".")[2]
            idle -= {(room, one.name) for one in node.names if room not in own}
        for node in nodes:
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                room = called.get(node.value.id, node.value.id)
                idle -= {(room, node.attr)} if room not in own else set()
    assert idle == set()


def test_no_room_holds_more_than_a_seventh_of_the_lines():
    lines: dict[str, int] = {}
    for path in MODULES:
        count = len(path.read_text(encoding="utf-8").splitlines())
        lines[room_of(path)] = lines.get(room_of(path), 0) + count
    most = max(lines, key=lambda room: lines[room])
    assert lines[most] <= 0.14 * sum(lines.values()), f"{most}: {lines[most]}"


def test_no_room_has_more_than_fifteen_files():
    files = {path.parent: len([*path.parent.glob("*.py")]) for path in MODULES}
    assert {str(room): count for room, count in files.items() if count > 15} == {}


def code_words(path: Path) -> set[str]:
    """Return the words of a module's identifiers; a docstring may give an example of the trade."""
    found = set()
    for node in nodes_of(path):
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
        for node in nodes_of(path):
            if isinstance(node, ast.Import):
                imported = {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                imported = {str(node.module).partition(".")[0]}
            else:
                continue
            assert "plotly" not in imported, f"{path.name} line {node.lineno}"
