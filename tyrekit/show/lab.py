"""JupyterLab on a weekend's notebooks: offline, loopback only, the first one run by itself.

`lab_server` holds that nobody else gets in, `lan` what another machine in one's network needs.
Nothing of the user's own Jupyter set-up is changed: two folders of the package are put before
Jupyter's search paths for this one process, and workspaces live in a temporary folder.
"""

from __future__ import annotations

import atexit
import hashlib
import json
import os
import shlex
import shutil
import tempfile
from collections.abc import Callable, Sequence
from getpass import getpass
from importlib.metadata import version
from pathlib import Path
from typing import Any, NamedTuple

from tyrekit.errors import InputError
from tyrekit.record.own_files import own_folder
from tyrekit.record.whole_file import write_whole

HERE = Path(__file__).parent / "lab"
FIRST_NOTEBOOK = "1_next_session.ipynb"
RECORD_NAME = ".kit-notebooks.json"
CHECK_TAG = "check"


def shipped_notebooks() -> Path:
    """Return the folder of the kit's own notebooks: in the package, or the repository's."""
    for folder in (HERE / "notebooks", Path(__file__).parents[2] / "notebooks"):
        if (folder / FIRST_NOTEBOOK).is_file():
            return folder
    raise InputError(
        "the kit's notebooks are not installed",
        where=str(HERE / "notebooks"),
        next_step="Install the kit again.",
    )


def notebook_hash(notebook: dict[str, Any]) -> str:
    """Return the sha256 of a notebook's cell types and sources, blind to outputs and metadata."""
    parts = [f"{cell['cell_type']}\n{_source(cell)}\0" for cell in notebook["cells"]]
    return hashlib.sha256("".join(parts).encode()).hexdigest()


def copy_notebooks(folder: Path) -> list[str]:
    """Copy the kit's notebooks to `folder`/notebooks; what a user changed is never replaced.

    An unchanged copy of an older version is replaced. Beside a changed one the new version is
    laid under its version number. Returns what was kept, in words. Cells tagged ``check`` belong
    to the kit's tests and are left out.
    """
    target = folder / "notebooks"
    own_folder(target, "notebooks")
    target.mkdir(parents=True, exist_ok=True)
    record = _read_record(target / RECORD_NAME)
    said = []
    for path in sorted(shipped_notebooks().glob("*.ipynb")):
        notebook = without_checks(json.loads(path.read_text(encoding="utf-8")))
        new = notebook_hash(notebook)
        place = _place(target / path.name, new, record.get(path.name))
        if place is not None:
            write_whole(place, json.dumps(notebook, indent=1, ensure_ascii=False) + "\n")
            record[place.name] = new
            if place.name != path.name:
                said.append(f"{path.name} was changed by you and is kept; ours is {place.name}")
    write_whole(target / RECORD_NAME, json.dumps(record, indent=1) + "\n")
    return said


def without_checks(notebook: dict[str, Any]) -> dict[str, Any]:
    """Return the notebook without the cells that only the kit's tests need."""
    kept = [c for c in notebook["cells"] if CHECK_TAG not in c["metadata"].get("tags", [])]
    return {**notebook, "cells": kept}


class Lan(NamedTuple):
    """The network to be reached from: this machine's address in it, and PEM files if any."""

    address: str
    certificate: Path | None = None
    key: Path | None = None


def launch(folder: Path, extra_args: Sequence[str] = (), lan: Lan | None = None) -> None:
    """Start JupyterLab in `folder` on the first notebook; returns when it is shut down.

    Parameters
    ----------
    folder : Path
        The weekend folder.
    extra_args : sequence of str
        Options for JupyterLab, such as ``--no-browser`` or ``--ServerApp.port=8899``.
    lan : Lan or None
        Serve another machine in this network too, with a password asked for and TLS.

    Raises
    ------
    InputError
        If the folder is no weekend, or an option would let others in.
    """
    if not (folder / "event.toml").is_file():
        raise no_weekend(folder)
    state = Path(tempfile.mkdtemp(prefix="tyrekit-lab-"))
    atexit.register(shutil.rmtree, state, ignore_errors=True)
    network = []
    if lan is not None:
        from tyrekit.show.lan import lan_arguments

        network = lan_arguments(lan.address, state, lan.certificate, lan.key, getpass)
    for text in copy_notebooks(folder):
        print(text)
    write_whole(state / "etc/labconfig/page_config.json", json.dumps(_page_config()))
    _prepend("JUPYTER_CONFIG_PATH", HERE / "etc")
    _prepend("JUPYTER_CONFIG_PATH", state / "etc")
    _prepend("JUPYTER_PATH", HERE / "share")
    os.environ["TYREKIT_WEEKEND"] = str(folder.resolve())
    serve = _server(state)
    arguments = lab_arguments(folder, state, [*network, *extra_args])
    serve(arguments, lan.address if lan else "")


def _server(empty: Path) -> Callable[[Sequence[str], str], None]:
    """Import the server with no program in reach: JupyterLab's import runs node if there is one."""
    programs = os.environ.get("PATH", os.defpath)
    os.environ["PATH"] = str(empty)
    try:
        from tyrekit.show.lab_server import serve
    finally:
        os.environ["PATH"] = programs
    return serve


def no_weekend(folder: Path) -> InputError:
    """Return the error for a folder that is no weekend, with the exact commands to make one."""
    kept = folder.is_dir() and any(folder.iterdir())
    new = shlex.quote(str(folder / "my-weekend" if kept else folder))
    return InputError(
        "this is not a weekend folder: there is no event.toml in it",
        where=str(folder.resolve()),
        next_step=(
            f"To make a weekend and open it:\n    tyrekit new {new}\n    tyrekit lab {new}\n"
            "To open one you have:\n    tyrekit lab FOLDER"
        ),
    )


def lab_arguments(folder: Path, state: Path, extra_args: Sequence[str]) -> list[str]:
    """Return JupyterLab's options; one given in `extra_args` takes the place of ours.

    The token stays Jupyter's own: a new one at each start, or JUPYTER_TOKEN's.
    """
    ours = {
        "--ServerApp.root_dir": str(folder.resolve()),
        "--ServerApp.ip": "127.0.0.1",
        "--ServerApp.allow_origin": "",
        "--ServerApp.allow_origin_pat": "",
        "--ServerApp.allow_remote_access": "False",
        "--ServerApp.allow_unauthenticated_access": "False",
        "--ServerApp.disable_check_xsrf": "False",
        "--ContentsManager.allow_hidden": "False",
        "--ServerApp.contents_manager_class": "tyrekit.show.notebook_files.NotebookFiles",
        "--LabApp.default_url": f"/doc/tree/notebooks/{FIRST_NOTEBOOK}",
        "--LabApp.workspaces_dir": str(state / "workspaces"),
        "--LabApp.news_url": "",
        "--LabApp.extension_manager": "readonly",
        "--LabApp.check_for_updates_class": "jupyterlab.NeverCheckForUpdate",
    }
    given = {argument.split("=")[0] for argument in extra_args}
    arguments = [f"{name}={value}" for name, value in ours.items() if name not in given]
    if hasattr(os, "geteuid") and os.geteuid() == 0 and "--allow-root" not in given:
        arguments.append("--allow-root")
    return arguments + list(extra_args)


def _page_config() -> dict[str, Any]:
    """Return what the browser side is told: which notebooks may run by themselves."""
    own = {}
    for path in sorted(shipped_notebooks().glob("*.ipynb")):
        notebook = json.loads(path.read_text(encoding="utf-8"))
        own[f"notebooks/{path.name}"] = notebook_hash(without_checks(notebook))
    return {
        "tyrekitNotebooks": json.dumps(own),
        "buildCheck": False,
        "disabledExtensions": {
            "@jupyterlab/apputils-extension:announcements": True,
            "@jupyterlab/extensionmanager-extension": True,
            "@jupyterlab/fileeditor-extension:language-server": True,
            "@jupyterlab/lsp-extension": True,
            "@jupyterlab/notebook-extension:language-server": True,
            "@jupyterlab/pluginmanager-extension": True,
            "@jupyterlab/terminal-extension": True,
        },
    }


def _place(path: Path, new: str, recorded: str | None) -> Path | None:
    """Return where to write the shipped version, or None when it is there already."""
    if not path.exists():
        return path
    try:
        present = notebook_hash(json.loads(path.read_text(encoding="utf-8")))
    except (ValueError, KeyError, TypeError):
        present = ""
    if present == new:
        return None
    if present and present == recorded:
        return path
    beside = path.with_name(f"{path.stem} {version('tyrekit')}.ipynb")
    return None if recorded == new or beside.exists() else beside


def _read_record(path: Path) -> dict[str, str]:
    """Return the hashes of the notebooks as copied earlier."""
    try:
        return {str(k): str(v) for k, v in json.loads(path.read_text(encoding="utf-8")).items()}
    except (OSError, ValueError, AttributeError):
        return {}


def _source(cell: dict[str, Any]) -> str:
    source = cell["source"]
    return source if isinstance(source, str) else "".join(source)


def _prepend(variable: str, folder: Path) -> None:
    """Put a folder before the others of a search path in the environment."""
    rest = os.environ.get(variable)
    os.environ[variable] = os.pathsep.join([str(folder), rest] if rest else [str(folder)])
