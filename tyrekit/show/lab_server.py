"""The server behind the notebooks: refuses to start open to others, and serves only what is used.

Whoever reaches it can run commands as the person who started it. So the settings are checked as
they are in force, wherever they came from: the command line, the environment, Jupyter's own files.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from ipaddress import ip_address
from typing import Any

from jupyter_server.auth.identity import PasswordIdentityProvider
from jupyter_server.base.handlers import Template404
from jupyter_server.serverapp import ServerApp
from jupyter_server.utils import url_path_join
from jupyterlab.labapp import LabApp

from tyrekit.errors import InputError

# each opens the server to pages or people that it is shut to
SHUT = {
    "allow_origin": "",
    "allow_origin_pat": "",
    "allow_remote_access": False,
    "allow_unauthenticated_access": False,
    "authenticate_prometheus": True,
    "disable_check_xsrf": False,
    "local_hostnames": ["localhost"],
    "trust_xheaders": False,
}
# what would look for extensions, news, newer versions or a build
CLOSED = "/lab/api/(?:extensions|plugins|news|update|build|listings).*"
# what a page may load, held by the browser: a stranger's notebook looks nothing up outside either;
# JupyterLab and Vega need the two unsafe ones
PAGE_POLICY = (
    "default-src 'self' data: blob: 'unsafe-inline' 'unsafe-eval'; frame-ancestors 'self';"
    " form-action 'self'; base-uri 'self'"
)
BEYOND = (
    "For another machine in your own network: tyrekit lab FOLDER --lan ADDRESS, with a password and"
    " encryption (README, 'On another machine')."
)
LEAVE_OUT = (
    "Leave the option out; if you gave none, it is in your own Jupyter settings:"
    " `jupyter --paths` says where they lie."
)


class KitServer(ServerApp):
    """Jupyter's server that does not start unless it is shut to everyone else."""

    lan_address = ""

    def init_server_extensions(self) -> None:
        """Load JupyterLab's alone: no terminals, no language servers, nothing else installed."""
        self.jpserver_extensions = {KitLab.get_extension_package(): True}
        super().init_server_extensions()

    def init_webapp(self) -> None:
        """Check what is in force before anything listens; then close what nobody here uses."""
        problems = list(openings(self, self.lan_address))
        if problems:
            raise InputError.joined(problems)
        headers = self.tornado_settings.get("headers", {})
        self.tornado_settings["headers"] = headers | {"Content-Security-Policy": PAGE_POLICY}
        super().init_webapp()
        closed = [(url_path_join(self.base_url, CLOSED), Template404)]
        self.web_app.add_handlers(".*$", closed)

    def write_browser_open_file(self) -> None:
        """Write the page that carries the token to the browser, readable by its owner alone."""
        before = os.umask(0o077)
        try:
            super().write_browser_open_file()
        finally:
            os.umask(before)


class KitLab(LabApp):  # type: ignore[misc]
    """JupyterLab on that server."""

    serverapp_class = KitServer
    load_other_extensions = False

    @classmethod
    def get_extension_package(cls) -> str:
        """Return whose extension is served: JupyterLab's, not this module's."""
        return "jupyterlab"


def serve(arguments: Sequence[str], lan_address: str = "") -> None:
    """Run JupyterLab until it is shut down.

    Parameters
    ----------
    arguments : sequence of str
        Jupyter's options.
    lan_address : str
        The one address it may listen on besides this machine's own; empty: none.

    Raises
    ------
    InputError
        If the settings in force open it to others.
    """
    KitServer.lan_address = lan_address
    KitLab.launch_instance(list(arguments))


def openings(server: Any, lan_address: str = "") -> Iterator[InputError]:
    """Yield an error for every setting in force that lets in more than it may."""
    if not (_is_loopback(server.ip) or (lan_address and server.ip == lan_address)):
        yield _refused(
            "ServerApp.ip", server.ip or "*", "only this machine may reach the notebooks", BEYOND
        )
    for name, shut in SHUT.items():
        value = getattr(server, name)
        if value != (bool(lan_address) if name == "allow_remote_access" else shut):
            yield _refused(f"ServerApp.{name}", value, f"it stays at {shut!r}", LEAVE_OUT)
    yield from _unnamed(server.identity_provider)
    if server.gateway_config.gateway_enabled:
        yield _refused(
            "GatewayClient.url", server.gateway_config.url,
            "notebooks run on this machine and nowhere else", LEAVE_OUT,
        )  # fmt: skip
    for name, section in server.config.items():
        if name.endswith(("KernelManager", "ConnectionFileMixin")) and "ip" in section:
            yield _refused(f"{name}.ip", section["ip"], "a notebook's kernel is local", LEAVE_OUT)
    if lan_address and not (server.certfile and server.keyfile):
        yield _refused("ServerApp.certfile", "", "on a network it is encrypted", LEAVE_OUT)
    if lan_address and not getattr(server.identity_provider, "hashed_password", ""):
        yield _refused("the password", "", "on a network everyone gives it", LEAVE_OUT)


def _unnamed(provider: Any) -> Iterator[InputError]:
    """Yield an error when somebody may come in without token and password."""
    if type(provider) is not PasswordIdentityProvider:
        name = type(provider).__name__
        yield _refused(
            "ServerApp.identity_provider_class",
            name,
            "it is Jupyter's own, with token or password",
            LEAVE_OUT,
        )
    elif not provider.auth_enabled:
        yield _refused(
            "IdentityProvider.token", "", "every start has a token, a new one by itself", LEAVE_OUT
        )


def _refused(what: str, got: object, rule: str, next_step: str) -> InputError:
    return InputError(
        f"{what} = {got!r} would let others run commands as you",
        where="tyrekit lab", rule=rule, next_step=next_step,
    )  # fmt: skip


def _is_loopback(address: str) -> bool:
    if address == "localhost":
        return True
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return False
