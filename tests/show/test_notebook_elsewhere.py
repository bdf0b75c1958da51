"""A notebook opened in a folder that is no weekend says what to do, with the exact command."""

import json
import shlex

import pytest

from tyrekit.show.lab import copy_notebooks, shipped_notebooks

NOTEBOOKS = sorted(path.name for path in shipped_notebooks().glob("*.ipynb"))


def panel_of(path):
    """Run a notebook's cells and return what its first one shows."""
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    names = {}
    for cell in cells:
        if cell["cell_type"] == "code":
            source = cell["source"]
            exec("".join(source), names)
    return names["panel"]


@pytest.mark.parametrize("name", NOTEBOOKS)
@pytest.mark.parametrize("inside", ["a letter.txt", None], ids=["other things", "notebooks only"])
def test_every_notebook_says_what_to_do(tmp_path, monkeypatch, name, inside):
    monkeypatch.delenv("TYREKIT_WEEKEND", raising=False)
    folder = tmp_path / "my <b> stuff"
    copy_notebooks(folder)
    if inside:
        (folder / inside).touch()
    monkeypatch.chdir(folder / "notebooks")
    said = panel_of(folder / "notebooks" / name).problem.value
    assert 'role="alert"' in said and "not a weekend folder" in said
    new = shlex.quote(str(folder / "my-weekend"))
    escaped = new.replace("<", "&lt;").replace(">", "&gt;").replace("'", "&#x27;")
    assert f"tyrekit new {escaped}\n" in said and f"tyrekit lab {escaped}\n" in said
    assert sorted(p.name for p in folder.iterdir()) == sorted(filter(None, ["notebooks", inside]))
