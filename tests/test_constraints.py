"""The pinned versions, with hashes for who only uses the program, and under which licences."""

import json
import re
import subprocess
import sys
import tomllib
from importlib import metadata
from itertools import chain
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from tasks import COMMANDS

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


HASHED = (ROOT / "requirements.txt").read_text(encoding="utf-8").replace("\\\n", " ").splitlines()


def runs_on():
    """The names of all that is loaded when the program, the page or a cluster runs, here."""
    wanted = [Requirement(text) for text in PROJECT["dependencies"]]
    wanted += [Requirement(text) for name in ("page", "scale") for text in EXTRAS[name]]
    found = {}
    while wanted:
        one = wanted.pop()
        if one.name in found or (one.marker and not one.marker.evaluate({"extra": ""})):
            continue
        found[one.name] = metadata.distribution(one.name)
        wanted += [Requirement(text) for text in found[one.name].requires or []]
    return found


def test_all_that_the_program_runs_on_has_its_version_and_hashes_in_one_file():
    pinned = {}
    for line in HASHED:
        requirement, _, hashes = line.partition("--hash=")
        one = Requirement(requirement.strip())
        assert str(one) in {str(pin) for pin in PINS}, "another version than constraints.txt"
        each = [text.strip() for text in hashes.split("--hash=")]
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", text) for text in each), line
        assert "://" not in line
        pinned[one.name.lower().replace("_", "-")] = one
    wanted = {name.lower().replace("_", "-").replace(".", "-") for name in runs_on()}
    assert wanted <= set(pinned)


FREE = re.compile(r"BSD|MIT|Apache|PSF|Python Software|0BSD|Zlib|CC0|ISC|HPND|Unlicense|MPL", re.I)
BINDS = re.compile(r"GPL|AGPL|General Public|Proprietary|SSPL", re.I)


def test_all_that_the_program_runs_on_may_be_used_by_anybody():
    for name, one in runs_on().items():
        said = [one.metadata.get("License-Expression") or "", one.metadata.get("License") or ""]
        said += [text for text in one.metadata.get_all("Classifier", []) if "License" in text]
        told = " ".join(said)[:400]
        assert FREE.search(told), f"{name}: {told!r}"
        assert not BINDS.search(told), f"{name}: {told!r}"


@pytest.mark.slow
def test_the_bill_of_materials_names_every_version_with_its_hashes(tmp_path):
    (command,) = COMMANDS["bill"]
    *asked, named = command
    bill = tmp_path / named
    made = subprocess.run([sys.executable, *asked, str(bill)], cwd=ROOT, capture_output=True)
    assert made.returncode == 0, made.stderr
    stored = json.loads(bill.read_text(encoding="utf-8"))
    assert (stored["bomFormat"], stored["metadata"]["component"]["name"]) == ("CycloneDX", OWN)
    parts = {
        (one["name"], one["version"]): {
            part["content"] for said in one["externalReferences"] for part in said["hashes"]
        }
        for one in stored["components"]
    }
    pinned = {}
    for line in HASHED:
        one, *hashes = re.split(r"\s*--hash=sha256:", line.strip())
        (exact,) = Requirement(one).specifier
        pinned[Requirement(one).name, exact.version] = set(hashes)
    assert parts == pinned
