"""The pinned versions: versions only, and ones that the project's own ranges admit."""

import tomllib
from itertools import chain
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[1]
LINES = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
PINS = [Requirement(line) for line in LINES if line.strip()]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
OWN = PROJECT["name"]
EXTRAS = PROJECT["optional-dependencies"]
WANTED = [Requirement(text) for text in chain(PROJECT["dependencies"], *EXTRAS.values())]


def same_name(one: str, other: str) -> bool:
    return one.lower().replace("_", "-") == other.lower().replace("_", "-")


def test_constraints_hold_versions_and_no_addresses():
    for line in LINES:
        assert "://" not in line, line
        assert not line.startswith("-"), line
    for pin in PINS:
        assert [part.operator for part in pin.specifier] == ["=="], str(pin)
        assert pin.url is None


@pytest.mark.parametrize(
    "wanted", [item for item in WANTED if not same_name(item.name, OWN)], ids=lambda item: item.name
)
def test_every_requirement_admits_its_pin(wanted: Requirement):
    pins = [pin for pin in PINS if same_name(pin.name, wanted.name)]
    assert pins, "no pin in constraints.txt"
    for pin in pins:
        (exact,) = pin.specifier
        assert wanted.specifier.contains(exact.version, prereleases=True), f"{wanted} and {pin}"


def test_the_test_extra_holds_every_other_extra():
    (own,) = [item for item in map(Requirement, EXTRAS["test"]) if same_name(item.name, OWN)]
    assert own.extras == set(EXTRAS) - {"test"}


def test_the_package_can_be_shared_under_its_licence():
    assert PROJECT["license"] == "BSD-3-Clause"
    assert (ROOT / "LICENSE").read_text(encoding="utf-8").startswith("BSD 3-Clause License")
