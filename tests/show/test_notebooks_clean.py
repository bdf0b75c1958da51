"""The notebooks as kept in git: no outputs, hidden sources, run by themselves, one check each."""

import ast
import json

import pytest

from tyrekit.show.lab import CHECK_TAG, shipped_notebooks

NOTEBOOKS = sorted(shipped_notebooks().glob("*.ipynb"))


@pytest.fixture(params=NOTEBOOKS, ids=[path.stem for path in NOTEBOOKS])
def notebook(request):
    return json.loads(request.param.read_text(encoding="utf-8"))


def code_cells(notebook):
    return [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]


def test_both_notebooks_are_there():
    assert {"1_next_session", "2_weekend_plan"} <= {path.stem for path in NOTEBOOKS}


def test_no_output_or_widget_state_is_kept(notebook):
    for cell in code_cells(notebook):
        assert cell["outputs"] == []
        assert cell["execution_count"] is None
    assert set(notebook["metadata"]) == {"kernelspec", "language_info", "tyrekit"}
    assert notebook["metadata"]["kernelspec"]["name"] == "python3"


def test_opens_run_and_without_code(notebook):
    assert notebook["metadata"]["tyrekit"] == {"autorun": True}
    for cell in code_cells(notebook):
        assert cell["metadata"]["jupyter"] == {"source_hidden": True}
        assert "".join(cell["source"]).startswith("# ")


def test_is_thin_and_has_one_check_that_asserts(notebook):
    checks = [c for c in code_cells(notebook) if CHECK_TAG in c["metadata"].get("tags", [])]
    assert len(checks) == 1
    tree = ast.parse("".join(checks[0]["source"]))
    assert any(isinstance(node, ast.Assert) for node in ast.walk(tree))
    others = [c for c in code_cells(notebook) if c not in checks]
    assert sum(len(c["source"]) for c in others) <= 10
