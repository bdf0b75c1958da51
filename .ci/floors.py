"""Print `name==lowest version allowed` for every requirement of a pyproject.toml."""

import sys
import tomllib
from itertools import chain
from pathlib import Path

from packaging.requirements import Requirement


def floors(pyproject: Path) -> list[str]:
    """Return a pip constraint per requirement, those of the extras too; each must state a floor."""
    project = tomllib.loads(pyproject.read_text(encoding="utf-8"))["project"]
    found = {}
    for wanted in map(
        Requirement, chain(project["dependencies"], *project["optional-dependencies"].values())
    ):
        if wanted.name == project["name"]:
            continue
        lowest = [s.version for s in wanted.specifier if s.operator == ">="]
        if len(lowest) != 1:
            raise SystemExit(f"{pyproject}: {wanted} states no lowest version; write >=VERSION")
        found[wanted.name] = f"{wanted.name}=={lowest[0]}"
    return sorted(found.values())


if __name__ == "__main__":
    print("\n".join(floors(Path(sys.argv[1]))))
