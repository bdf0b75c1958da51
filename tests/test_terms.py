"""The glossary is enforced: a public name that ends in a unit stands in terms/ with that unit."""

import ast
from pathlib import Path

import tyrekit
from tyrekit.terms import CORNERS, TERMS
from tyrekit.units import suffix_unit

PACKAGE = Path(tyrekit.__file__).parent
ROOMS = ("record", "model", "fit", "plan", "show")


def glossary() -> dict[str, str]:
    names = {}
    for name, term in TERMS.items():
        for corner in CORNERS if "{corner}" in name else ("",):
            names[name.replace("{corner}", corner)] = term.unit
    return names


def public_names(tree: ast.Module) -> set[str]:
    """Parameters of public functions and annotated fields of public classes."""
    names: set[str] = set()

    def walk(body: list[ast.stmt]) -> None:
        for node in body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                names.update(
                    s.target.id
                    for s in node.body
                    if isinstance(s, ast.AnnAssign) and isinstance(s.target, ast.Name)
                )
                walk(node.body)
            elif isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                arguments = node.args
                every = (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs)
                names.update(a.arg for a in every)

    walk(tree.body)
    return {n for n in names if not n.startswith("_")}


def test_every_unit_named_public_quantity_is_in_the_glossary():
    known = glossary()
    missing: dict[str, list[str]] = {}
    for room in ROOMS:
        for path in sorted((PACKAGE / room).rglob("*.py")):
            for name in public_names(ast.parse(path.read_text(encoding="utf-8"))):
                if suffix_unit(name) is not None and name not in known:
                    missing.setdefault(name, []).append(f"{room}/{path.name}")
    assert not missing, "\n".join(f"{n}: {', '.join(w)}" for n, w in sorted(missing.items()))


def test_unit_of_a_term_is_the_one_its_name_ends_in():
    wrong = {
        name: unit
        for name, unit in glossary().items()
        if suffix_unit(name) is not None and unit != suffix_unit(name)
    }
    assert not wrong
