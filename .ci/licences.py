"""Print what every package says of its own licence, those behind `tyrekit[mdf]`, as a table.

`python .ci/licences.py` in the virtual environment; ends with 1 when one is not known or not among
those that a kit under the MIT licence can build on.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution

from packaging.requirements import Requirement

# permissive; the Mozilla licence covers its own files only
ALLOWED = {
    "MIT": r"\bMIT\b|MIT-0",
    "BSD": r"BSD",
    "ISC": r"\bISC\b",
    "Apache-2.0": r"Apache",
    "PSF-2.0": r"PSF|Python Software Foundation",
    "MPL-2.0": r"MPL|Mozilla Public",
    "Zlib": r"\bZlib\b",
    "CC0-1.0": r"CC0",
}
# of an extra, used as it comes and not shipped with the kit: its own licence stays with it
OF_AN_EXTRA = {"asammdf": r"LGPL|Lesser General Public"}


def packages(name: str, *extras: str) -> dict[str, Distribution]:
    """Return every installed package that `name[extras]` asks for, itself left out, by name."""
    found: dict[str, Distribution] = {}
    seen: set[tuple[str, frozenset[str]]] = set()
    waiting = [(name, frozenset(extras))]
    while waiting:
        wanted = waiting.pop()
        if wanted in seen:
            continue
        seen.add(wanted)
        about = distribution(wanted[0])
        found[plain(wanted[0])] = about
        for asked in _asked(about, wanted[1]):
            waiting.append((plain(asked.name), frozenset(asked.extras)))
    del found[plain(name)]
    return dict(sorted(found.items()))


def stated(about: Distribution) -> str:
    """Return the licence as the package's metadata states it; empty when it does not."""
    said = about.metadata.get("License-Expression")
    classes = about.metadata.get_all("Classifier") or []
    names = [c.split("::")[-1].strip() for c in classes if c.startswith("License ::")]
    free = (about.metadata.get("License") or "").strip().split("\n")[0]
    return said or " AND ".join(names) or ("" if free == "UNKNOWN" else free)


def allowed(licence: str, name: str = "") -> bool:
    """Return whether every licence stated, one of each choice, is among those allowed."""
    patterns = [*ALLOWED.values(), *([OF_AN_EXTRA[name]] if name in OF_AN_EXTRA else [])]
    parts = [re.split(r"\s+OR\s+", part.strip("() ")) for part in re.split(r"\s+AND\s+", licence)]
    return all(any(_one(choice, patterns) for choice in part) for part in parts)


def plain(name: str) -> str:
    """Return a package's name in its normal form."""
    return re.sub(r"[-_.]+", "-", name).lower()


def _one(licence: str, patterns: list[str]) -> bool:
    strict = re.search(r"GPL|General Public|proprietary|non-?commercial", licence, re.IGNORECASE)
    kept = [p for p in patterns if "GPL" in p] if strict else patterns
    return any(re.search(pattern, licence) for pattern in kept)


def _asked(about: Distribution, extras: frozenset[str]) -> Iterator[Requirement]:
    for asked in map(Requirement, about.requires or []):
        marker = asked.marker
        if marker is None or any(marker.evaluate({"extra": e}) for e in (*extras, "")):
            yield asked


def main() -> int:
    """Print the table; 1 when a package is not allowed."""
    try:
        found = packages("tyrekit", "mdf")
    except PackageNotFoundError as error:
        print(f"{error} is not installed: pip install -e '.[mdf]'", file=sys.stderr)
        return 2
    code = 0
    for name, about in found.items():
        licence = stated(about)
        good = allowed(licence, name)
        code |= not good
        print(f"{name} {about.version} | {licence or 'not stated'}{'' if good else ' | LOOK'}")
    return code


if __name__ == "__main__":
    raise SystemExit(main())
