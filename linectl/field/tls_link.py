"""A secured connection: TLS on which both sides show a certificate, and what to say when it fails.

Source: MODBUS/TCP Security Protocol Specification v36 (2021): TLS 1.2 or later, mutual X.509, the
role in an extension of the client's certificate.
"""

from __future__ import annotations

import os
import re
import socket
import ssl
from pathlib import Path

from linectl.errors import LinkDown
from linectl.field.links import TcpLink
from linectl.site.hardware import TlsBus

ROLE = "1.3.6.1.4.1.50316.802.1"
ROLE_OID = bytes.fromhex("06 0b 2b 06 01 04 01 83 89 0c 86 22 01")
"""DER of ROLE, the role extension."""
_CERTIFICATE = re.compile(r"-----BEGIN CERTIFICATE-----.*?-----END CERTIFICATE-----", re.DOTALL)
_OURS = ("CERTIFICATE", "UNKNOWN_CA", "ACCESS_DENIED", "DECRYPT_ERROR")
"""Parts of the alerts by which a peer refuses our certificate (RFC 8446, 6.2), as OpenSSL names
them."""
_TOO_OLD = ("PROTOCOL_VERSION", "UNSUPPORTED_PROTOCOL", "NO_PROTOCOLS_AVAILABLE")
_HAS_EXPIRED, _NOT_YET, _OTHER_NAME, _OTHER_ADDRESS = 10, 9, 62, 64
"""X509_V_ERR_… of OpenSSL's x509_vfy.h."""


class TlsLink(TcpLink):
    """A TCP connection with TLS 1.2 or newer, our certificate shown and the device's checked."""

    def __init__(self, bus: TlsBus, host: str, port: int, folder: Path) -> None:
        super().__init__(host, port)
        self._bus = bus
        self._folder = folder
        self._context: ssl.SSLContext | None = None
        self._heard = False

    def open(self) -> None:
        self._context = self._made()  # anew each time: a renewed certificate is taken at once
        self._heard = False
        super().open()

    def remarks(self) -> list[str]:
        path = self._folder / self._bus.certificate
        if has_role(path):
            return []
        return [
            f"our certificate {path} carries no role (extension {ROLE}): a device may refuse "
            "reads or writes; have it issued with the role that the device knows"
        ]

    def receive(self, until_s: float) -> bytes:
        data = super().receive(until_s)
        self._heard = self._heard or bool(data)
        return data

    def _buffered(self) -> bool:
        link = self._socket
        return isinstance(link, ssl.SSLSocket) and link.pending() > 0

    def _secured(self, link: socket.socket) -> socket.socket:
        name = self._bus.server_name or self._bus.host
        try:
            assert self._context is not None
            return self._context.wrap_socket(link, server_hostname=name)
        except ssl.SSLCertVerificationError as error:
            link.close()
            raise LinkDown(f"{self.where}: {_not_accepted(error, name)}") from error
        except (OSError, ValueError) as error:
            link.close()
            raise LinkDown(f"{self.where}: {_no_handshake(error)}") from error

    def _broken(self, error: OSError) -> LinkDown:
        """With TLS 1.3 a device looks at our certificate after our side of the handshake is done,
        and its refusal comes with the first read, or is lost in a reset."""
        if _refuses_ours(error):
            self.close()
            return LinkDown(f"{self.where}: {_not_ours(error)}")
        down = super()._broken(error)
        if self._heard:
            return down
        return LinkDown(
            f"{down}, before it had said a word: does it accept our certificate? It must be signed "
            "by the authority that the device knows, and be valid by the device's clock"
        )

    def _made(self) -> ssl.SSLContext:
        """The context of our three files. Raises LinkDown naming the one that does not do."""
        bus = self._bus
        paths = {
            key: self._folder / text
            for key, text in (
                ("authority", bus.authority),
                ("certificate", bus.certificate),
                ("key", bus.key),
            )
        }
        for key, path in paths.items():
            if not path.is_file():
                raise self._file(key, f"there is no file {path}; is it installed here?")
            if not os.access(path, os.R_OK):
                raise self._file(key, f"this user may not read {path}")
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        try:
            context.load_verify_locations(paths["authority"])
        except (OSError, ValueError) as error:
            raise self._file("authority", _no_pem(paths["authority"], "certificate")) from error
        self._show_ours(context, paths["certificate"], paths["key"])
        return context

    def _show_ours(self, context: ssl.SSLContext, certificate: Path, key: Path) -> None:
        asked: list[bool] = []

        def phrase() -> str:
            asked.append(True)
            return ""

        try:
            context.load_cert_chain(certificate, key, phrase)
        except (OSError, ValueError) as error:
            if asked:
                text = f"{key} is locked with a pass phrase, and nobody is there to type it: store "
                raise self._file("key", text + "it without one, readable by this user only") from (
                    error
                )
            if "MISMATCH" in (getattr(error, "reason", None) or ""):
                text = f"{key} does not belong to {certificate}"
                raise self._file("key", text) from error
            if not _CERTIFICATE.search(_text(certificate)):
                raise self._file("certificate", _no_pem(certificate, "certificate")) from error
            raise self._file("key", _no_pem(key, "private key")) from error

    def _file(self, key: str, text: str) -> LinkDown:
        return LinkDown(f"{self.where}: `{key}`: {text}")


def _no_pem(path: Path, what: str) -> str:
    return f"{path} holds no {what} in PEM form"


def _not_accepted(error: ssl.SSLCertVerificationError, name: str) -> str:
    """Why the device's certificate is not accepted, and what to check."""
    check = {
        _HAS_EXPIRED: "renew it; is this machine's clock right?",
        _NOT_YET: "is this machine's clock right?",
        _OTHER_NAME: f"it was issued for another name than {name}: check `server_name` and `host`",
        _OTHER_ADDRESS: f"it was issued for another address than {name}: say the name that it was "
        "issued for as `server_name`",
    }.get(error.verify_code, "check `authority`: it must be the one that has signed it")
    return f"the device's certificate is not accepted ({error.verify_message}); {check}"


def _refuses_ours(error: Exception) -> bool:
    reason = (error.reason or "") if isinstance(error, ssl.SSLError) else ""
    return "ALERT" in reason and any(part in reason for part in _OURS)


def _not_ours(error: Exception) -> str:
    return (
        f"the device does not accept our certificate ({error}); it must be signed by the "
        "authority that the device knows, and be valid by the device's clock"
    )


def _no_handshake(error: Exception) -> str:
    """Why no handshake came about, and what to check."""
    if _refuses_ours(error):
        return _not_ours(error)
    reason = (error.reason or "") if isinstance(error, ssl.SSLError) else ""
    if any(part in reason for part in _TOO_OLD):
        return f"the device speaks no TLS 1.2 or newer ({error}): it needs newer firmware"
    return (
        f"no secured connection ({error}); check that the device speaks TLS there: the port, and "
        "whether Modbus security is switched on in it"
    )


def has_role(certificate: Path) -> bool:
    """True if a certificate (PEM; the first of the file) carries a role; a device may refuse
    writes without one."""
    found = _CERTIFICATE.search(_text(certificate))
    try:
        return found is not None and ROLE_OID in ssl.PEM_cert_to_DER_cert(found[0])
    except ValueError:
        return False


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
