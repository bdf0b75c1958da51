"""The house rules that a machine can hold: import arrows, module sizes, names."""

import ast
from pathlib import Path

import tyrekit

PACKAGE = Path(tyrekit.__file__).parent
BASE = {"terms", "units", "errors"}
MAY_IMPORT = {
    "base": {"base"},
    "model": {"base", "model"},
    "record": {"base", "record"},
    "fit": {"base", "record", "model", "fit"},
    "plan": {"base", "record", "model", "fit", "plan"},
    "show": {"base", "record", "model", "fit", "plan", "show"},
    "demo": {"base", "demo"},
    "commands": {"base", "record", "model", "fit", "plan", "show"},
    "root": {"base"},
    "__main__": {"commands"},
}
ONLY_IN = {"statsmodels": "fit", "altair": "show", "ipywidgets": "show", "sqlite3": "record"}


def room(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    if parts == ("__init__",):
        return "root"
    return "base" if parts[0] in BASE else parts[0]


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def modules() -> list[Path]:
    return [p for p in sorted(PACKAGE.rglob("*.py")) if "notebooks" not in p.parts]


def is_room(name: str) -> bool:
    return (PACKAGE / name).exists() or (PACKAGE / f"{name}.py").exists()


def test_imports_run_one_way():
    wrong = []
    for path in modules():
        for name in imported(path):
            parts = name.split(".")
            if parts[0] != "tyrekit" or (len(parts) > 1 and not is_room(parts[1])):
                continue
            target = "root" if len(parts) == 1 else "base" if parts[1] in BASE else parts[1]
            if target not in MAY_IMPORT[room(path)]:
                wrong.append(f"{path.relative_to(PACKAGE)} imports {name}")
    assert not wrong


def test_imports_have_no_cycle():
    graph = {}
    for path in modules():
        dotted = ".".join(("tyrekit", *path.relative_to(PACKAGE).with_suffix("").parts))
        dotted = dotted.removesuffix(".__init__")
        graph[dotted] = imported(path)
    graph = {m: {n for n in names if n in graph and n != m} for m, names in graph.items()}
    seen: dict[str, int] = {}

    def visit(module: str, trail: tuple[str, ...]) -> None:
        assert module not in trail, f"import cycle: {' -> '.join((*trail, module))}"
        if seen.get(module):
            return
        for other in sorted(graph[module]):
            visit(other, (*trail, module))
        seen[module] = 1

    for module in sorted(graph):
        visit(module, ())


def test_libraries_stay_in_their_room():
    wrong = [
        f"{path.relative_to(PACKAGE)} imports {name}"
        for path in modules()
        for name in imported(path)
        for library, home in ONLY_IN.items()
        if name.split(".")[0] == library and room(path) != home
    ]
    assert not wrong


def test_modules_are_short_and_well_named():
    long = [p.name for p in modules() if len(p.read_text(encoding="utf-8").splitlines()) > 400]
    vague = [p.name for p in modules() if p.stem in ("utils", "util", "helpers", "common", "misc")]
    assert not long and not vague
