"""A real server, started as a person would, and what it does not let in, serve or look up.

Kind of every expected answer: the kit's own rule, held against HTTP as it is (status codes by
RFC 9110: 302 elsewhere, 403 forbidden, 404 not found). The server starts with Jupyter settings of
a careless user lying about, which would open it to everyone.
"""

import http.client
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections import namedtuple
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import quote, urlencode, urlsplit

import psutil
import pytest
import websocket
from demo_weekends import copy_of

START_S = 120
CARELESS = {
    "ip": "0.0.0.0", "allow_origin": "*", "allow_remote_access": True, "disable_check_xsrf": True,
    "allow_unauthenticated_access": True, "terminals_enabled": True,
    "jpserver_extensions": {"jupyter_server_terminals": True, "jupyter_lsp": True},
}  # fmt: skip
# noted in the server and in every Python it starts, by the interpreter's own audit events
NOTING = """
import sys

def noted(event, args):
    if event in ("socket.connect", "socket.sendto", "socket.getaddrinfo", "socket.gethostbyname"):
        what = args[1] if event in ("socket.connect", "socket.sendto") else args[0]
        what = what[0] if isinstance(what, tuple) else what
    elif event == "subprocess.Popen":
        what = list(map(str, args[1])) if isinstance(args[1], (list, tuple)) else str(args[1])
    else:
        return
    with open(%r, "a") as file:
        file.write(repr((event, what)) + "\\n")

sys.addaudithook(noted)
"""
Answer = namedtuple("Answer", "status headers body")


class Server:
    """A started server: its process, address, token and folders."""

    def __init__(self, process, base: Path, folder: Path, port: int):
        self.process, self.base, self.folder, self.port = process, base, folder, port
        self.netloc = f"127.0.0.1:{port}"
        info = base / "runtime" / f"jpserver-{process.pid}.json"
        until(lambda: info.exists() and info.read_text(), process, base)
        self.info = json.loads(info.read_text())
        until(lambda: answers(port), process, base)  # it is written before anything listens
        self.token = self.info["token"]

    def ask(self, path, method="GET", token="", body=None, **headers) -> Answer:
        """Send exactly this path and these headers, following nothing."""
        connection = http.client.HTTPConnection(self.netloc, timeout=30)
        if token:
            headers["Authorization"] = f"token {token}"
        connection.request(method, path, body=body, headers=headers)
        answer = connection.getresponse()
        found = Answer(answer.status, answer.headers, answer.read().decode(errors="replace"))
        connection.close()
        return found

    def socket(self, path, **options):
        """Open a websocket and shut it again."""
        url = f"ws://{self.netloc}{path}"
        websocket.create_connection(url, timeout=30, **options).close()

    def family(self):
        """Return the server's process and all it started."""
        own = psutil.Process(self.process.pid)
        return [own, *own.children(recursive=True)]

    def listening(self):
        """Return the addresses that any of them listens on."""
        found = []
        for process in self.family():
            with suppress(psutil.NoSuchProcess):  # it may end meanwhile
                found += process.net_connections(kind="inet")
        return [c.laddr for c in found if c.status == psutil.CONN_LISTEN]


def until(done, process, base):
    for _ in range(START_S * 10):
        if process.poll() is None and done():
            return
        time.sleep(0.1)
    pytest.fail(f"the server did not start:\n{(base / 'log').read_text()}")


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def environment(base: Path) -> dict[str, str]:
    env = {k: v for k, v in os.environ.items() if not k.startswith("JUPYTER")}
    places = {f"JUPYTER_{n.upper()}_DIR": str(base / n) for n in ("config", "data", "runtime")}
    return env | places | {"HOME": str(base), "IPYTHONDIR": str(base / "ipython")}


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    base = tmp_path_factory.mktemp("server")
    folder = copy_of("fenmoor-after-p3", base)
    (base / "secret.txt").write_text("outside the weekend")
    (base / "config").mkdir()
    settings = json.dumps({"ServerApp": CARELESS})
    (base / "config" / "jupyter_server_config.json").write_text(settings)
    (base / "noting").mkdir()
    (base / "noting" / "sitecustomize.py").write_text(NOTING % str(base / "noted.txt"))
    env = environment(base) | {"PYTHONPATH": str(base / "noting")}
    port = free_port()
    command = [sys.executable, "-m", "tyrekit", "lab", str(folder), "--no-browser",
               f"--ServerApp.port={port}"]  # fmt: skip
    with (base / "log").open("w") as log:
        process = subprocess.Popen(
            command, env=env, stdout=log, stderr=subprocess.STDOUT, umask=0o022,
            start_new_session=True,
        )  # fmt: skip
    try:
        yield Server(process, base, folder, port)
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(timeout=30)


@pytest.fixture(scope="module")
def kernel(server):
    """A kernel that runs, and the way to its channels."""
    made = server.ask("/api/kernels", "POST", token=server.token, body="{}")
    assert made.status == 201, made
    return f"/api/kernels/{json.loads(made.body)['id']}/channels"


@pytest.fixture(scope="module")
def cookies(server):
    """What a browser holds after the link with the token was opened once."""
    page = server.ask(f"/lab?token={server.token}")
    pairs = [c.split(";")[0] for c in page.headers.get_all("Set-Cookie")]
    assert any(p.startswith("username-") for p in pairs)
    return "; ".join(pairs)


# who gets in


def test_nothing_listens_beyond_loopback(server, kernel):
    # the server's own port and a kernel's five
    until(lambda: len({a.port for a in server.listening()}) > 5, server.process, server.base)
    assert server.port in {address.port for address in server.listening()}
    beyond = [a for a in server.listening() if not ip_address(a.ip).is_loopback]
    assert not beyond


def test_every_start_has_a_long_token_of_its_own(server):
    assert re.fullmatch(r"[0-9a-f]{48}", server.token)
    assert server.ask("/api/contents", token=server.token).status == 200


PAGES = ("/", "/lab", "/lab/tree/event.toml", "/doc/tree/notebooks/1_next_session.ipynb",
         "/files/event.toml", "/edit/event.toml", "/view/event.toml", "/nbconvert/html/x.ipynb",
         "/metrics", "/logout")  # fmt: skip
CALLS = ("/api/contents", "/api/contents/event.toml", "/api/kernels", "/api/sessions", "/api/me",
         "/api/kernelspecs", "/api/status", "/api/config/notebook", "/lab/api/settings/",
         "/lab/api/workspaces/", "/lab/api/translations/", "/api/security/csp-report")  # fmt: skip


@pytest.mark.parametrize("token", ["", "wrong", "0" * 48], ids=["none", "short", "long"])
@pytest.mark.parametrize("path", [*PAGES, *CALLS])
def test_without_the_token_nothing_is_served(server, path, token):
    for answer in (server.ask(path, token=token), server.ask(f"{path}?token={token}")):
        there = answer.headers.get("Location", "")
        to_login = answer.status == 302 and (
            there.startswith("/login") or there.split("?")[0] in PAGES
        )
        to_login |= path == "/logout" and answer.status == 200 and "logged out" in answer.body
        assert to_login or answer.status in (403, 405), answer
        assert "tank_l" not in answer.body and server.token not in str(answer)


@pytest.mark.parametrize("path", ["/api/kernels", "/api/sessions", "/api/shutdown"])
def test_without_the_token_nothing_is_started_or_ended(server, path):
    assert server.ask(path, "POST", body="{}").status == 403
    assert server.process.poll() is None


def test_a_kernel_takes_no_word_without_the_token(server, kernel):
    server.socket(f"{kernel}?token={server.token}")
    for path in (kernel, f"{kernel}?token=wrong"):
        with pytest.raises(websocket.WebSocketBadStatusException) as refused:
            server.socket(path)
        assert refused.value.status_code == 403


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:{port}", "127.0.0.1.evil.example:{port}", "192.0.2.9:{port}",
     "localhost.evil.example", "0.0.0.0:{port}", "[2001:db8::1]:{port}", ""],
)  # fmt: skip
def test_a_foreign_host_is_refused_even_with_the_token(server, kernel, host):
    """A page that has its own name point at this machine sends that name as Host."""
    host = host.format(port=server.port)
    for path in ("/lab", "/api/contents", "/login", "/files/event.toml"):
        answer = server.ask(path, token=server.token, Host=host)
        assert answer.status in (400, 403), (path, answer)
        assert "tank_l" not in answer.body
    with pytest.raises(websocket.WebSocketException) as refused:
        server.socket(f"{kernel}?token={server.token}", host=host or "evil.example")
    assert getattr(refused.value, "status_code", 403) == 403
    assert server.ask("/lab", token=server.token, Host=f"localhost:{server.port}").status == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "http://127.0.0.1:1", "null"])
def test_a_foreign_page_can_do_nothing_with_the_browser_s_login(server, kernel, cookies, origin):
    own = f"http://{server.netloc}"
    xsrf = re.search(r"_xsrf=([^;]+)", cookies)
    token = {"X-XSRFToken": xsrf[1]} if xsrf else {}
    assert server.ask("/api/contents", Cookie=cookies, Origin=own).status == 200
    for headers in ({}, token):
        said = server.ask("/api/kernels", "POST", body="{}", Cookie=cookies, Origin=origin,
                          **headers)  # fmt: skip
        assert said.status in (403, 404), said
    read = server.ask("/api/contents/event.toml", Cookie=cookies, Origin=origin)
    assert "tank_l" not in read.body and "Access-Control-Allow-Origin" not in read.headers
    server.socket(kernel, origin=own, cookie=cookies)
    with pytest.raises(websocket.WebSocketBadStatusException) as refused:
        server.socket(kernel, origin=origin, cookie=cookies)
    assert refused.value.status_code == 403


def test_a_form_without_the_page_s_own_mark_is_refused(server, cookies):
    """Cross-site request forgery: the login alone is not enough to change anything."""
    own = f"http://{server.netloc}"
    said = server.ask("/api/kernels", "POST", body="{}", Cookie=cookies, Origin=own)
    assert said.status == 403 and "_xsrf" in said.body


def test_the_token_stands_nowhere_that_others_can_read(server):
    def shut(path: Path) -> bool:
        above = [path, *(p for p in path.parents if p.is_relative_to(server.base))][:-1]
        return any(not p.stat().st_mode & 0o077 for p in above)

    holding = [
        path for path in server.base.rglob("*")
        if path.is_file() and server.token.encode() in path.read_bytes()
    ]  # fmt: skip
    in_runtime = [p for p in holding if p.parent.name == "runtime"]
    assert {p.suffix for p in in_runtime} >= {".json", ".html"}
    assert not [p for p in in_runtime if p.stat().st_mode & 0o077]
    # the log is this test's catch of what the terminal shows
    assert not [p for p in holding if not shut(p) and p.name != "log"]
    for process in server.family():
        assert server.token not in " ".join(process.cmdline())


# what is served


@pytest.mark.parametrize(
    "path",
    ["/lab/api/extensions", "/lab/api/extensions?query=x&refresh=1", "/lab/api/news",
     "/lab/api/update", "/lab/api/build", "/lab/api/plugins", "/lab/api/listings/x.json",
     "/api/terminals", "/terminals/websocket/1", "/lsp/status", "/lsp/ws/x"],
)  # fmt: skip
def test_what_nobody_here_uses_is_not_there(server, path):
    """No extensions to install, no news, no newer versions, no builds, no terminals."""
    for method in ("GET", "POST"):
        assert server.ask(path, method, token=server.token, body="{}").status == 404


def test_the_page_offers_none_of_it(server):
    page = server.ask("/doc/tree/notebooks/1_next_session.ipynb", token=server.token)
    assert page.status == 200
    told = re.search(r'id="jupyter-config-data"[^>]*>(.*?)</script>', page.body, re.DOTALL)
    config = json.loads(told[1])
    assert config["terminalsAvailable"] is False and config["buildCheck"] is False
    off = set(config["disabledExtensions"])
    assert off >= {
        "@jupyterlab/apputils-extension:announcements", "@jupyterlab/extensionmanager-extension",
        "@jupyterlab/terminal-extension",
    }  # fmt: skip
    outside = re.findall(r'(?:src|href)="(?:https?:)?//([^"/]+)', page.body)
    assert not outside


def test_hidden_files_are_not_served(server):
    (server.folder / ".hidden").mkdir(exist_ok=True)
    (server.folder / ".hidden" / "inside.txt").write_text("tank_l")
    assert (server.folder / "notebooks" / ".kit-notebooks.json").is_file()
    for name in ("notebooks/.kit-notebooks.json", ".hidden", ".hidden/inside.txt"):
        for room in ("/files/", "/api/contents/"):
            assert server.ask(room + name, token=server.token).status in (400, 403, 404)
    listed = json.loads(server.ask("/api/contents/notebooks", token=server.token).body)["content"]
    names = [item["name"] for item in listed]
    assert "1_next_session.ipynb" in names and not [n for n in names if n.startswith(".")]


UP = ("../secret.txt", "%2e%2e/secret.txt", "..%2fsecret.txt", "notebooks/../../secret.txt",
      "notebooks/%2e%2e/%2e%2e/secret.txt", "notebooks/..%2f..%2fsecret.txt", "..%5csecret.txt",
      "%252e%252e/secret.txt", "{base}/secret.txt", "/{base}/secret.txt", "%2f{base}/secret.txt",
      "./../secret.txt", "..;/secret.txt")  # fmt: skip


@pytest.mark.parametrize("way", UP)
def test_nothing_outside_the_weekend_is_read_or_written(server, way):
    assert server.ask("/files/event.toml", token=server.token).status == 200
    way = way.format(base=server.base)
    for room in ("/files/", "/api/contents/", "/view/", "/nbconvert/html/"):
        answer = server.ask(room + way, token=server.token)
        assert "outside the weekend" not in answer.body
        if room != "/view/":  # a frame, whose content is asked for from /files/
            assert answer.status in (302, 400, 403, 404), answer
    file = json.dumps({"type": "file", "format": "text", "content": "planted"})
    planted = way.replace("secret.txt", "planted.txt")
    server.ask(f"/api/contents/{planted}", "PUT", token=server.token, body=file)
    assert not (server.base / "planted.txt").exists()
    assert (server.base / "secret.txt").read_text() == "outside the weekend"


# what it looks up


def test_nothing_is_looked_up_or_started_but_the_kernel(server, kernel):
    """After start, first page and first kernel; noted by the interpreter's audit events."""
    server.ask("/lab", token=server.token)
    noted = [eval(row) for row in (server.base / "noted.txt").read_text().splitlines()]
    asked = {what for event, what in noted if event.startswith("socket.")}
    for what in asked:
        text = what.decode() if isinstance(what, bytes) else what
        local = text in (None, "", "localhost", socket.gethostname()) or text.startswith("/")
        assert local or ip_address(text).is_loopback, asked
    programs = [what for event, what in noted if event == "subprocess.Popen"]
    kernels = [p for p in programs if "ipykernel_launcher" in " ".join(p)]
    # Python's own platform.processor; IPython's question where it is installed in a checkout
    by_platform = [["uname", "-p"], ["git", "rev-parse", "--short", "HEAD"]]
    assert kernels and [p for p in programs if p not in by_platform] == kernels, programs


# what does not start


def refused(folder, *options, settings=None, **env) -> str:
    """Return what a start with these options says before it ends by itself."""
    base = folder.parent
    if settings:
        (base / "config").mkdir(exist_ok=True)
        (base / "config" / "jupyter_server_config.json").write_text(json.dumps(settings))
    done = subprocess.run(
        [sys.executable, "-m", "tyrekit", "lab", str(folder), "--no-browser", *options],
        env=environment(base) | env, capture_output=True, text=True, check=False,
        timeout=START_S, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == 2, done
    said = done.stderr[done.stderr.index("tyrekit:") :]
    assert "is running at" not in done.stderr and "Traceback" not in said
    return said


@pytest.fixture
def weekend(tmp_path):
    folder = tmp_path / "weekend"
    folder.mkdir()
    shutil.copy(Path(__file__).parents[2] / "data/fenmoor-after-p3/event.toml", folder)
    return folder


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--ServerApp.ip=0.0.0.0"], ["ServerApp.ip", "'0.0.0.0'", "only this machine", "--lan"]),
        (["--ip", "*"], ["ServerApp.ip", "'*'", "--lan"]),
        (["--ip=::"], ["ServerApp.ip", "'::'", "--lan"]),
        (["--ip=192.0.2.9"], ["'192.0.2.9'", "--lan"]),
        (["--ServerApp.token=''"], ["IdentityProvider.token", "every start has a token"]),
        (["--IdentityProvider.token="], ["IdentityProvider.token", "Leave the option out"]),
        (["--ServerApp.disable_check_xsrf=True"], ["disable_check_xsrf = True"]),
        (["--ServerApp.allow_origin=*", "--ServerApp.allow_origin_pat=.*"],
         ["allow_origin = '*'", "allow_origin_pat = '.*'"]),
        (["--ServerApp.allow_remote_access=True"], ["allow_remote_access = True"]),
        (["--ServerApp.allow_unauthenticated_access=True"], ["allow_unauthenticated_access"]),
        (["--ServerApp.local_hostnames=['evil.example']"], ["local_hostnames", "evil.example"]),
        (["--ServerApp.identity_provider_class=jupyter_server.auth.IdentityProvider"],
         ["identity_provider_class"]),
        (["--gateway-url=http://127.0.0.1:9"], ["GatewayClient.url", "on this machine"]),
        (["--KernelManager.ip=0.0.0.0"], ["KernelManager.ip", "local"]),
        (["--lan", "0.0.0.0"], ["0.0.0.0", "never all of them"]),
        (["--lan", "8.8.8.8"], ["private network"]),
        (["--lan", "192.0.2.9"], ["this machine has no address 192.0.2.9"]),
        (["--lan", "pitwall"], ["192.168.1.20", "pitwall"]),
        (["--lan", "127.0.0.1"], ["password", "on a terminal"]),
        (["--lan", "127.0.0.1", "--key", "k.pem"], ["both --certificate FILE and --key FILE"]),
        (["--key", "k.pem"], ["go with --lan"]),
    ],
)  # fmt: skip
def test_a_start_that_would_let_others_in_is_refused(weekend, options, words):
    said = refused(weekend, *options)
    assert all(word in said for word in words), said


def test_neither_settings_nor_surroundings_take_the_token_away(weekend):
    said = refused(weekend, settings={"IdentityProvider": {"token": ""}})
    assert "IdentityProvider.token" in said and "Jupyter settings" in said
    said = refused(weekend, JUPYTER_GATEWAY_URL="http://127.0.0.1:9")
    assert "GatewayClient.url" in said


# another machine in one's own network


PASSWORD = "four plain words here"


@pytest.fixture(scope="module")
def on_lan(tmp_path_factory):
    """A server for the network, on loopback for the test, its password typed on a terminal."""
    pexpect = pytest.importorskip("pexpect", reason="a terminal for the password: not on Windows")
    base = tmp_path_factory.mktemp("lan")
    folder = base / "weekend"
    folder.mkdir()
    shutil.copy(Path(__file__).parents[2] / "data/fenmoor-after-p3/event.toml", folder)
    port = free_port()
    terminal = pexpect.spawn(
        sys.executable, ["-m", "tyrekit", "lab", str(folder), "--no-browser", "--lan", "127.0.0.1",
                         f"--ServerApp.port={port}"],
        env=environment(base) | {"TMPDIR": str(base)}, timeout=START_S, encoding="utf-8",
        dimensions=(50, 250),
    )  # fmt: skip
    shown = ""
    for prompt in ("or more: ", "same again: "):
        terminal.expect(prompt)
        shown += terminal.before
        terminal.sendline(PASSWORD)
    terminal.expect("Use Control-C")
    shown += terminal.before
    for _ in range(START_S * 10):
        if answers(port):
            break
        time.sleep(0.1)
    yield port, shown, base, terminal
    terminal.terminate(force=True)


def over_tls(port, path, method="GET", body=None, **headers):
    import ssl

    trusting = ssl.create_default_context()
    trusting.check_hostname, trusting.verify_mode = False, ssl.CERT_NONE
    connection = http.client.HTTPSConnection("127.0.0.1", port, timeout=30, context=trusting)
    connection.request(method, path, body=body, headers=headers)
    shown = connection.sock.getpeercert(binary_form=True)
    answer = connection.getresponse()
    found = Answer(answer.status, answer.headers, answer.read().decode(errors="replace"))
    connection.close()
    return found, shown


def login(port, password):
    """Fill the login form in as a browser does; return the cookies held then."""
    form, _ = over_tls(port, "/login")
    cookies = [c.split(";")[0] for c in form.headers.get_all("Set-Cookie")]
    xsrf = next(c for c in cookies if c.startswith("_xsrf=")).removeprefix("_xsrf=")
    done, _ = over_tls(
        port, "/login", "POST", urlencode({"password": password, "_xsrf": xsrf}),
        Cookie="; ".join(cookies), **{"Content-Type": "application/x-www-form-urlencoded"},
    )  # fmt: skip
    got = done.headers.get_all("Set-Cookie") or []
    assert all("secure" in c.lower() for c in got if c.startswith("username-"))
    return done.status, "; ".join([*cookies, *(c.split(";")[0] for c in got)])


def test_on_the_network_only_the_password_lets_in(on_lan):
    port, shown, *_ = on_lan
    assert f"https://127.0.0.1:{port}/" in shown and "token=" not in shown
    for path in ("/api/contents", "/api/contents?token=", f"/api/contents?token={quote(PASSWORD)}"):
        assert over_tls(port, path)[0].status == 403
    wrong, cookies = login(port, "another four words")
    assert wrong == 401 and over_tls(port, "/api/contents", Cookie=cookies)[0].status == 403
    empty, cookies = login(port, "")
    assert empty == 401 and over_tls(port, "/api/contents", Cookie=cookies)[0].status == 403
    right, cookies = login(port, PASSWORD)
    assert right == 302 and over_tls(port, "/api/contents", Cookie=cookies)[0].status == 200
    foreign, _ = over_tls(port, "/api/contents", Cookie=cookies, Origin="https://evil.example")
    assert foreign.status in (403, 404)


def test_on_the_network_nothing_goes_in_the_clear(on_lan):
    """A plain request gets no HTTP answer; the certificate is the one whose hash was printed."""
    import hashlib

    port, shown, *_ = on_lan
    plain = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    with pytest.raises((http.client.HTTPException, OSError)):
        plain.request("GET", "/login")
        plain.getresponse()
    plain.close()
    _, certificate = over_tls(port, "/login")
    printed = re.search(r"SHA-256 ([0-9A-F:]{95})", shown)
    assert hashlib.sha256(certificate).hexdigest().upper() == printed[1].replace(":", "")


def test_on_the_network_the_password_stays_on_the_terminal(on_lan):
    _, shown, base, terminal = on_lan
    assert PASSWORD not in shown
    assert "argon2" not in " ".join(psutil.Process(terminal.pid).cmdline())
    holding = [p for p in base.rglob("*") if p.is_file() and PASSWORD.encode() in p.read_bytes()]
    assert not holding
    (key,) = base.rglob("key.pem")
    assert not key.stat().st_mode & 0o077 and not key.parent.stat().st_mode & 0o077


def test_ports_of_the_url_and_the_info_are_the_same(server):
    assert urlsplit(server.info["url"]).netloc == server.netloc
