"""Copying the notebooks into a weekend, and how JupyterLab is started; nothing is started here."""

import json
import re
import subprocess
import sys
from importlib.metadata import version

import pytest

from tyrekit.errors import InputError
from tyrekit.show import lab

FIRST = lab.FIRST_NOTEBOOK


def cell(source, tags=()):
    return {"cell_type": "code", "source": source, "metadata": {"tags": list(tags)}, "outputs": []}


@pytest.fixture
def shipped(tmp_path, monkeypatch):
    """A folder of shipped notebooks that a test may upgrade."""
    folder = tmp_path / "shipped"
    folder.mkdir()
    monkeypatch.setattr(lab, "shipped_notebooks", lambda: folder)

    def ship(source):
        cells = [cell(source), cell("assert True", ["check"])]
        (folder / FIRST).write_text(json.dumps({"cells": cells, "metadata": {}}))

    ship("one")
    return ship


def source(path):
    return [c["source"] for c in json.loads(path.read_text())["cells"]]


def test_first_start_copies_without_the_checks(tmp_path, shipped):
    assert lab.copy_notebooks(tmp_path / "w") == []
    assert source(tmp_path / "w/notebooks" / FIRST) == ["one"]


def test_an_unchanged_copy_is_upgraded_even_when_it_was_run(tmp_path, shipped):
    lab.copy_notebooks(tmp_path)
    copy = tmp_path / "notebooks" / FIRST
    run = json.loads(copy.read_text())
    run["cells"][0]["outputs"] = [{"output_type": "stream", "name": "stdout", "text": "ran"}]
    copy.write_text(json.dumps(run))
    shipped("two")
    assert lab.copy_notebooks(tmp_path) == []
    assert source(copy) == ["two"]


def test_a_changed_copy_is_kept_and_the_new_one_laid_beside_it(tmp_path, shipped):
    lab.copy_notebooks(tmp_path)
    copy = tmp_path / "notebooks" / FIRST
    copy.write_text(json.dumps({"cells": [cell("mine")], "metadata": {}}))
    assert lab.copy_notebooks(tmp_path) == []
    shipped("two")
    said = lab.copy_notebooks(tmp_path)
    beside = copy.with_name(f"{copy.stem} {version('tyrekit')}.ipynb")
    assert source(copy) == ["mine"]
    assert source(beside) == ["two"]
    assert len(said) == 1
    assert FIRST in said[0] and beside.name in said[0]


def test_a_broken_copy_is_not_thrown_away(tmp_path, shipped):
    copy = tmp_path / "notebooks" / FIRST
    copy.parent.mkdir()
    copy.write_text("{ half a note")
    lab.copy_notebooks(tmp_path)
    assert copy.read_text() == "{ half a note"


def test_hash_sees_sources_and_not_outputs():
    one = {"cells": [{"cell_type": "code", "source": ["a\n", "b"], "outputs": [1]}]}
    same = {"cells": [{"cell_type": "code", "source": "a\nb", "outputs": []}]}
    other = {"cells": [{"cell_type": "markdown", "source": "a\nb"}]}
    assert lab.notebook_hash(one) == lab.notebook_hash(same) != lab.notebook_hash(other)


def test_a_folder_that_is_no_weekend_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"tyrekit new"):
        lab.launch(tmp_path)
    assert not list(tmp_path.iterdir())


def test_only_this_machine_is_served_and_nothing_is_looked_up(tmp_path):
    arguments = lab.lab_arguments(tmp_path, tmp_path, [])
    assert "--ServerApp.ip=127.0.0.1" in arguments
    assert "--LabApp.news_url=" in arguments
    assert not [a for a in arguments if "token" in a.lower() or "password" in a.lower()]


def test_an_option_given_takes_the_place_of_ours(tmp_path):
    arguments = lab.lab_arguments(tmp_path, tmp_path, ["--ServerApp.ip=::1", "--no-browser"])
    assert [a for a in arguments if "ServerApp.ip" in a] == ["--ServerApp.ip=::1"]
    assert "--no-browser" in arguments


def test_extension_files_carry_the_version_so_that_no_browser_keeps_an_old_one():
    folder = lab.HERE / "share/labextensions/tyrekit"
    package = json.loads((folder / "package.json").read_text())
    script = folder / package["jupyterlab"]["_build"]["load"]
    assert package["version"] == version("tyrekit")
    assert version("tyrekit") in script.name
    style = re.search(r'base \+ "([^"]+\.css)"', script.read_text())
    assert style is not None
    assert version("tyrekit") in style[1]
    assert (script.parent / style[1]).is_file()


def test_starting_loads_nothing_of_the_fits_and_charts():
    """They load in the notebook's own kernel; here they would only make the start slower."""
    script = (
        "import sys; from tyrekit.show.lab import launch; import tyrekit.show.lab_server;"
        "heavy = {'altair', 'ipywidgets', 'numpy', 'pandas', 'pyarrow', 'scipy', 'statsmodels'};"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
