"""The notebooks on another machine in one's own network: an address, a password, encryption."""

from __future__ import annotations

import hashlib
import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Callable
from ipaddress import ip_address
from pathlib import Path

from tyrekit.errors import InputError

LEAST_CHARACTERS = 12
CERTIFICATE_DAYS = 14


def lan_arguments(
    address: str,
    state: Path,
    certificate: Path | None,
    key: Path | None,
    ask: Callable[[str], str],
) -> list[str]:
    """Return the server's options for one address of this machine in its network.

    Parameters
    ----------
    address : str
        In numbers, as ``192.168.1.20``; this machine must have it.
    state : Path
        A folder that only the owner can read, for a certificate made on the spot.
    certificate, key : Path or None
        PEM files; without both one is made.
    ask : callable
        Asks on the terminal without showing what is typed.

    Raises
    ------
    InputError
        If the address, the certificate or the password cannot be used.
    """
    check_address(address)
    pair = _given(certificate, key) or self_signed(address, state)
    print(f"Certificate {pair[0].name}, SHA-256 {fingerprint(pair[0])}:")
    print("compare it with what the other machine's browser shows before you go on there.")
    from jupyter_server.auth.security import passwd

    hashed = passwd(asked_password(ask))
    return [
        f"--ServerApp.ip={address}",
        f"--ServerApp.certfile={pair[0]}",
        f"--ServerApp.keyfile={pair[1]}",
        f"--PasswordIdentityProvider.hashed_password={hashed}",
        "--PasswordIdentityProvider.allow_password_change=False",
        "--IdentityProvider.token=",
        "--ServerApp.allow_remote_access=True",
    ]


def check_address(address: str) -> None:
    """Refuse an address that is not one of this machine's own in a private network."""
    where, step = "tyrekit lab --lan", "`ip address`, on Windows `ipconfig`, shows this machine's."
    try:
        found = ip_address(address)
    except ValueError:
        rule = "it is one address in numbers, as 192.168.1.20"
        raise InputError(
            "no address", where=where, rule=rule, got=address, next_step=step
        ) from None
    if found.is_unspecified or found.is_multicast or found.is_global:
        rule = "it is one address of this machine in a private network, never all of them"
        raise InputError(
            f"{address} is too wide", where=where, rule=rule, got=address, next_step=step
        )
    family = socket.AF_INET6 if found.version == 6 else socket.AF_INET
    with socket.socket(family) as probe:
        try:
            probe.bind((address, 0))
        except OSError:
            raise InputError(
                f"this machine has no address {address}", where=where, next_step=step
            ) from None


def asked_password(ask: Callable[[str], str]) -> str:
    """Return a password typed twice; it is never taken from the command line."""
    if not sys.stdin.isatty():
        raise InputError(
            "the password is asked for on a terminal and there is none",
            where="tyrekit lab --lan", next_step="Start it from a terminal.",
        )  # fmt: skip
    password = ask(f"Password for the network, {LEAST_CHARACTERS} characters or more: ")
    if len(password) < LEAST_CHARACTERS:
        raise InputError(
            "the password is too short", where="tyrekit lab --lan",
            rule=f"who guesses it can run commands as you: {LEAST_CHARACTERS} characters or more",
            next_step="Start again; three or four words with spaces will do.",
        )  # fmt: skip
    if ask("The same again: ") != password:
        raise InputError(
            "the two passwords differ", where="tyrekit lab --lan", next_step="Start again."
        )
    return password


def self_signed(address: str, state: Path) -> tuple[Path, Path]:
    """Make a certificate and its key for `address` with openssl, good for this start."""
    openssl = shutil.which("openssl")
    ways = "Install openssl, or give your own: --certificate FILE --key FILE."
    if openssl is None:
        raise InputError(
            "no certificate was given and openssl, which makes one, was not found",
            where="tyrekit lab --lan", next_step=ways,
        )  # fmt: skip
    certificate, key = state / "certificate.pem", state / "key.pem"
    made = subprocess.run(
        [openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-days", str(CERTIFICATE_DAYS), "-subj", f"/CN={address}",
         "-addext", f"subjectAltName=IP:{address}", "-keyout", str(key), "-out", str(certificate)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if made.returncode:
        said = " ".join(made.stderr.split())[-300:]
        raise InputError(
            f"openssl made no certificate: {said}", where="tyrekit lab --lan", next_step=ways
        )
    return certificate, key


def fingerprint(certificate: Path) -> str:
    """Return the SHA-256 of a certificate as browsers show it."""
    der = ssl.PEM_cert_to_DER_cert(_first_certificate(certificate))
    digest = hashlib.sha256(der).hexdigest().upper()
    return ":".join(digest[i : i + 2] for i in range(0, len(digest), 2))


def _given(certificate: Path | None, key: Path | None) -> tuple[Path, Path] | None:
    """Return the certificate and key given, once they are known to go together."""
    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        raise InputError(
            "a certificate and its key belong together", where="tyrekit lab --lan",
            next_step="Give both --certificate FILE and --key FILE, or neither.",
        )  # fmt: skip
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise InputError(
            f"this certificate and key cannot be used: {error}",
            where=f"{certificate}, {key}", rule="two PEM files that belong together",
            next_step="Correct them, or leave both options out and one is made.",
        ) from None  # fmt: skip
    return certificate.resolve(), key.resolve()


def _first_certificate(path: Path) -> str:
    text = path.read_text(encoding="ascii", errors="replace")
    begin, end = "-----BEGIN CERTIFICATE-----", "-----END CERTIFICATE-----"
    return text[text.index(begin) : text.index(end) + len(end)] + "\n"
