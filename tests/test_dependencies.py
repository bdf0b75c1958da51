"""What the kit is built on: ranges, the lock, the licences. Nothing is fetched here."""

import ast
import importlib.util
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from itertools import chain
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = {
    name: [Requirement(text) for text in texts]
    for name, texts in PROJECT["optional-dependencies"].items()
}
RUNTIME = [Requirement(text) for text in PROJECT["dependencies"]]
DIRECT = [r for r in chain(RUNTIME, *EXTRAS.values()) if r.name != "tyrekit"]
LINES = (ROOT / ".ci" / "lock.txt").read_text(encoding="utf-8").splitlines()
LOCK = dict(line.split("==") for line in LINES if not line.startswith("#"))


def script(name):
    spec = importlib.util.spec_from_file_location(name, ROOT / ".ci" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_lock_is_names_and_exact_versions_and_nothing_else():
    """No host, no path, no hash of a mirror: anyone's index can be used."""
    assert LINES[0].startswith("# Written by .ci/lock")
    for line in LINES[1:]:
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*==[A-Za-z0-9.!]+", line), line
    assert LINES[1:] == sorted(LINES[1:], key=lambda line: line.split("==")[0])


@pytest.mark.parametrize("wanted", DIRECT, ids=str)
def test_the_lock_is_within_the_ranges(wanted):
    assert wanted.specifier.contains(LOCK[canonicalize_name(wanted.name)])


def test_the_lock_holds_everything_that_an_installation_brings():
    """The requirements of requirements, by each package's own metadata on this machine."""
    needed = script("licences").packages("tyrekit", "dev")
    assert len(needed) > 100
    assert set(needed) <= set(LOCK), sorted(set(needed) - set(LOCK))
    for name, about in needed.items():
        for asked in map(Requirement, about.requires or []):
            known = LOCK.get(canonicalize_name(asked.name))
            used = asked.marker is None or asked.marker.evaluate({"extra": ""})
            if used and known:
                assert asked.specifier.contains(known, prereleases=True), (name, str(asked))


def test_every_range_states_the_lowest_version_and_the_job_installs_just_that():
    floors = dict(line.split("==") for line in script("floors").floors(ROOT / "pyproject.toml"))
    assert set(floors) == {wanted.name for wanted in DIRECT}
    for wanted in DIRECT:
        assert wanted.specifier.contains(floors[wanted.name])
        assert Version(floors[wanted.name]) <= Version(LOCK[canonicalize_name(wanted.name)])
        below = [s for s in wanted.specifier if s.operator == ">="]
        assert [s.version for s in below] == [floors[wanted.name]]


def test_a_range_without_a_lowest_version_is_refused(tmp_path):
    text = '[project]\nname = "x"\ndependencies = ["numpy<3"]\n[project.optional-dependencies]\n'
    (tmp_path / "pyproject.toml").write_text(text)
    with pytest.raises(SystemExit, match="numpy<3 states no lowest version"):
        script("floors").floors(tmp_path / "pyproject.toml")


def test_what_the_kit_imports_is_what_it_asks_for():
    """Nothing is used that only comes along with something else."""
    named = packages_distributions()
    asked = {canonicalize_name(r.name) for r in RUNTIME + EXTRAS["mdf"]}
    asked.add("pydantic-core")  # pydantic's own half, bound by it to one version
    missing = set()
    for path in sorted((ROOT / "tyrekit").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in {n.split(".")[0] for n in names} - {"tyrekit", "__future__"}:
                by = {canonicalize_name(d) for d in named.get(name, [])}
                if name not in sys.stdlib_module_names and not by & asked:
                    missing.add(f"{path.relative_to(ROOT)}: {name}")
    assert not missing


def test_every_package_states_a_licence_that_the_kit_can_build_on():
    module = script("licences")
    found = module.packages("tyrekit", "mdf")
    assert {"altair", "jupyterlab", "numpy", "tornado"} <= set(found)
    wrong = {
        n: module.stated(a) for n, a in found.items() if not module.allowed(module.stated(a), n)
    }
    assert not wrong
    plain = module.packages("tyrekit")
    assert "asammdf" not in plain
    assert all(module.allowed(module.stated(about)) for about in plain.values())


@pytest.mark.parametrize(
    ("licence", "good"),
    [
        ("MIT", True), ("BSD-3-Clause AND MIT", True), ("Apache-2.0 OR BSD-2-Clause", True),
        ("MIT OR GPL-2.0-only", True), ("(MPL-2.0 OR Apache-2.0)", True),
        ("BSD 3-Clause License", True), ("", False), ("GPL-3.0-only", False),
        ("MIT AND GPL-2.0-only", False), ("AGPL-3.0", False), ("LGPL-3.0-or-later", False),
        ("GNU General Public License v3 (GPLv3)", False), ("Proprietary", False),
        ("Other/Proprietary License", False), ("SSPL-1.0", False), ("CC-BY-NC-4.0", False),
        ("MIT, non-commercial", False),
    ],
)  # fmt: skip
def test_which_licences_the_kit_can_build_on(licence, good):
    """Kind: the licences' own texts, as commonly understood; from memory, no legal advice."""
    assert script("licences").allowed(licence) is good
