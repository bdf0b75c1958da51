"""``python -m tyrekit.demo``: write the invented weekend, or check what is stored."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from tyrekit.demo.export import differing, write


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code: 1 when --check finds a difference."""
    parser = argparse.ArgumentParser(
        prog="python -m tyrekit.demo",
        description="Write the invented demo weekend: the same files every time.",
    )
    parser.add_argument("--out", type=Path, default=Path("data"), help="folder (default: data)")
    parser.add_argument("--check", action="store_true", help="compare with what is stored there")
    asked = parser.parse_args(arguments)
    if not asked.check:
        written = write(asked.out)
        size = sum(path.stat().st_size for path in written) / 1e6
        print(f"{len(written)} files, {size:.1f} MB, written to {asked.out}")
        return 0
    differences = differing(asked.out)
    print("\n".join(differences) or f"{asked.out} is what the demo makes")
    return 1 if differences else 0


if __name__ == "__main__":
    sys.exit(main())
