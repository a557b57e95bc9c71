"""What the package offers is named, documented, explicit and of readable size."""

import ast
import importlib
import inspect
import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

import forecast

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "forecast"
MODULES = sorted(PACKAGE.rglob("*.py"))
PROGRAMS = [
    *MODULES,
    ROOT / "tasks.py",
    *sorted((ROOT / "benchmarks").rglob("*.py")),
    *sorted((ROOT / "synthetic_data").rglob("*.py")),
]
LONGEST_FILE, LONGEST_FUNCTION = 650, 60
TAKES_LONG = {"value_of_quoting"}  # it fits five models, half a minute

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


def test_every_picture_is_in_the_readme():
    listed = (ROOT / "README.md").read_text(encoding="utf-8")
    drawn = [name.rpartition(".")[2] for name in doors() if "figures.plot_" in name]
    assert [name for name in drawn if f"`{name}`" not in listed] == []


@pytest.mark.parametrize("name", sorted(forecast.__all__))
def test_every_public_name_can_be_reached_and_is_in_the_readme(name: str):
    assert getattr(forecast, name) is not None
    assert name in (ROOT / "README.md").read_text(encoding="utf-8")


def test_a_log_and_a_forecaster_show_themselves_on_one_line(invented_log, forecaster):
    assert repr(invented_log) == f"<OutcomeLog: 300 courses, {len(invented_log.sessions)} sessions>"
    assert repr(forecaster).startswith("<Forecaster: clear, 25 sessions ahead, from ")
    assert len(repr(forecaster)) < 80


def test_what_is_kept_or_sold_shows_itself_too(invented_log, forecaster):
    enquiry = forecast.Enquiry("II", "forearm", "black", "light", "single")
    promise = forecast.promise_of(
        forecaster,
        forecaster.estimate(enquiry),
        enquiry,
        client_id="p1",
        issued_on=date(2026, 3, 2),
    )
    packages = (forecast.Package("per_session"), forecast.Package("fixed", cap=9))
    tariff = forecast.Tariff(currency="EUR", session_price=150, cost_per_session=55, cap=15)
    tariff = replace(tariff, packages=packages)
    for shown in (invented_log, forecaster, promise, tariff):
        assert len(repr(shown)) < 120
        assert shown._repr_html_().startswith("<pre>")
        assert json.loads(json.dumps(shown.to_dict()))
        assert len(shown.to_frame()) == 1
        assert shown.to_text(language="de") != shown.to_text()
    assert repr(promise).startswith("<Promise: Estimate of 2 Mar 2026, not yet kept: ")
    assert "fixed price: its price is asked for" in tariff.to_text()


def test_the_public_face_lists_its_names():
    assert set(forecast.__all__) <= set(dir(forecast))
    with pytest.raises(AttributeError, match="no_such_name"):
        forecast.no_such_name  # noqa: B018


def test_every_module_says_what_it_is_for():
    silent = [name_of(path) for path in MODULES if not ast.get_docstring(parse(path))]
    assert [name for name in silent if not name.endswith("__init__.py")] == []


def test_every_offered_name_is_documented():
    bare = []
    for path in MODULES:
        for name, value in offered(path).items():
            if inspect.isclass(value) or inspect.isroutine(value):
                text = value.__doc__ or ""
                if not text or text.startswith(f"{name}("):  # the second is a dataclass's own
                    bare.append(f"{name_of(path)}: {name}")
    assert bare == []


def doors() -> dict[str, object]:
    """Return what every room offers at its door, under the room's name."""
    found: dict[str, object] = {}
    for path in MODULES:
        if path.name == "__init__.py":
            room = importlib.import_module(module_of(path))
            lines = [
                line for one in parse(path).body if isinstance(one, ast.If) for line in one.body
            ]
            offers = [line for line in lines if isinstance(line, ast.ImportFrom)]
            names = [one.name for line in offers for one in line.names]
            found |= {f"{room.__name__}.{name}": getattr(room, name) for name in names}
    return found


def unsaid(value: object) -> list[str]:
    """Return the parameters or fields that a docstring does not name, and errors it hides."""
    text = value.__doc__ or ""
    if inspect.isclass(value):
        fields = getattr(value, "__dataclass_fields__", {})
        names = [name for name in fields if not name.startswith("_")]
        return [name for name in names if not re.search(rf"\b{name}\b", document_of(value))]
    parameters = list(inspect.signature(value).parameters)  # type: ignore[arg-type]
    names = [name for name in parameters if not re.search(rf"\b{name}\b", text)]
    raising = re.search(r"^ +raise ((?:Data|Request|Fit)Error)\(", inspect.getsource(value), re.M)  # type: ignore[arg-type]
    hidden = [raising[1]] if raising and not re.search(r"[Rr]aise", text) else []
    return (names if len(parameters) > 1 else []) + hidden


def document_of(value: type) -> str:
    """Return the docstring of a class and of those of ours that it is made from."""
    ours = [one for one in value.__mro__ if one.__module__.startswith("forecast")]
    return "\n".join(one.__doc__ or "" for one in ours)


def test_every_name_at_a_door_says_what_it_takes_and_what_it_refuses():
    lacking = {
        name: unsaid(value)
        for name, value in doors().items()
        if inspect.isclass(value) or inspect.isfunction(value)
    }
    assert {name: missing for name, missing in lacking.items() if missing} == {}


def test_every_name_at_a_door_shows_an_example():
    bare = [
        name
        for name, value in doors().items()
        if callable(value)
        and not (inspect.isclass(value) and issubclass(value, Exception))
        and name.rpartition(".")[2] not in TAKES_LONG
        and not re.search(r"Examples\n-+\n(?=>>> )", inspect.getdoc(value) or "")
    ]
    assert bare == []


def test_no_public_function_takes_whatever_it_is_given():
    greedy = [
        f"{name_of(path)}, line {node.lineno}: {node.name} takes **kwargs"
        for path in MODULES
        for node in ast.walk(parse(path))
        if isinstance(node, Function) and not node.name.startswith("_") and node.args.kwarg
    ]
    assert greedy == []


def test_files_and_functions_can_be_read_in_one_sitting():
    long = []
    for path in PROGRAMS:
        lines = len(path.read_text(encoding="utf-8").splitlines())
        if lines > LONGEST_FILE:
            long.append(f"{name_of(path)}: {lines} lines")
        for node in ast.walk(parse(path)):
            if isinstance(node, Function) and body_length(node) > LONGEST_FUNCTION:
                long.append(f"{name_of(path)}, line {node.lineno}: {node.name}")
    assert long == []
