"""Notebooks as the server hands them to the browser: a stranger's bring no widgets along.

JupyterLab makes the widgets that stand in a notebook's metadata as soon as it is opened, and a
widget may carry its own JavaScript, which can run commands as the person at the screen. Outputs
wait until the notebook is trusted; widgets do not. So the widgets of a notebook that this machine
has not signed are left out when it is read. The file itself stays as it is.
"""

from __future__ import annotations

from typing import Any

from jupyter_server.services.contents.largefilemanager import AsyncLargeFileManager


class NotebookFiles(AsyncLargeFileManager):
    """Jupyter's own files, notebooks not signed by this machine without their saved widgets."""

    def mark_trusted_cells(self, nb: Any, path: str = "") -> None:
        """Mark cells as trusted or not; without trust no widget is made from the file."""
        super().mark_trusted_cells(nb, path)  # type: ignore[no-untyped-call]
        if not self.notary.check_signature(nb):
            nb["metadata"].pop("widgets", None)
