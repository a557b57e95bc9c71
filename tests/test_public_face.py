"""What the package offers is named, documented, explicit and of readable size."""

import ast
import importlib
import inspect
from pathlib import Path

import pytest

import forecast

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "forecast"
MODULES = sorted(PACKAGE.rglob("*.py"))
ROOM_FOLDERS = [path for path in PACKAGE.iterdir() if (path / "__init__.py").exists()]
PROGRAMS = [
    *MODULES,
    ROOT / "tasks.py",
    *sorted((ROOT / "benchmarks").rglob("*.py")),
    *sorted((ROOT / "synthetic_data").rglob("*.py")),
]
TESTS = sorted((ROOT / "tests").rglob("*.py"))
LONGEST_FILE, LONGEST_FUNCTION = 350, 40

Function = ast.FunctionDef | ast.AsyncFunctionDef


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def parse(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def offered(path: Path) -> dict[str, object]:
    """Return what a module names in ``__all__``."""
    module = importlib.import_module(module_of(path))
    return {name: getattr(module, name) for name in getattr(module, "__all__", ())}


def body_length(function: Function) -> int:
    """Return the lines of a function without its docstring."""
    first = function.body[0]
    start = function.lineno
    if ast.get_docstring(function, clean=False) is not None:
        assert first.end_lineno is not None
        return (function.end_lineno or start) - start + 1 - (first.end_lineno - first.lineno + 1)
    return (function.end_lineno or start) - start + 1


@pytest.mark.parametrize("name", sorted(forecast.__all__))
def test_every_public_name_can_be_reached_and_is_in_the_readme(name: str):
    assert getattr(forecast, name) is not None
    assert name in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_public_face_lists_its_names():
    assert set(forecast.__all__) <= set(dir(forecast))
    with pytest.raises(AttributeError, match="no_such_name"):
        forecast.no_such_name  # noqa: B018


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_every_module_says_what_it_offers(path: Path):
    documented = path.name == "__init__.py" or ast.get_docstring(parse(path))
    assert documented, "the module has no docstring"
    if path.name not in ("__init__.py", "__main__.py"):
        assert offered(path), "the module has no __all__"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_every_offered_name_is_documented(path: Path):
    for name, value in offered(path).items():
        if inspect.isclass(value) or inspect.isroutine(value):
            assert inspect.getdoc(value), f"{name} has no docstring"
            generated = f"{name}("
            assert not (value.__doc__ or "").startswith(generated), f"{name} has no docstring"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_public_function_takes_whatever_it_is_given(path: Path):
    for node in ast.walk(parse(path)):
        if isinstance(node, Function) and not node.name.startswith("_"):
            assert node.args.kwarg is None, f"line {node.lineno}: {node.name} takes **kwargs"


@pytest.mark.parametrize("path", [*PROGRAMS, *TESTS], ids=name_of)
def test_files_are_short_enough_to_read(path: Path):
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= LONGEST_FILE, f"{lines} lines"


@pytest.mark.parametrize("path", PROGRAMS, ids=name_of)
def test_functions_are_short_enough_to_read(path: Path):
    for node in ast.walk(parse(path)):
        if isinstance(node, Function):
            length = body_length(node)
            assert length <= LONGEST_FUNCTION, f"line {node.lineno}: {node.name}, {length} lines"
