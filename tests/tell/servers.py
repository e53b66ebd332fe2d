"""Servers of mail and of a webhook on this machine, well or badly behaved, and certificates."""

from __future__ import annotations

import base64
import json
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_address
from pathlib import Path
from typing import Any, Literal

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

Manner = Literal["well", "silent", "dripping", "refusing", "breaking", "some"]


def write_certificate(folder: Path, name: str = "localhost") -> tuple[Path, Path]:
    """Write a certificate that signs itself, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName(
                [x509.DNSName(name), x509.IPAddress(ip_address("127.0.0.1"))]
            ),
            critical=False,
        )
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    certificate, secret = folder / "certificate.pem", folder / "key.pem"
    certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    secret.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return certificate, secret


def served_by(certificate: tuple[Path, Path]) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*map(str, certificate))
    return context


@dataclass
class MailServer:
    """What a mail server took: envelopes, messages, the accounts it was shown."""

    port: int = 0
    manner: Manner = "well"
    taken: list[tuple[tuple[str, ...], EmailMessage]] = field(default_factory=list)
    accounts: list[tuple[str, str]] = field(default_factory=list)
    n_connections: int = 0


@contextmanager
def mail_server(
    manner: Manner = "well",
    *,
    certificate: tuple[Path, Path] | None = None,
    at_once: bool = False,
) -> Iterator[MailServer]:
    """Run a mail server; with a certificate it speaks TLS at once or when asked to (STARTTLS)."""
    server = MailServer(manner=manner)
    context = served_by(certificate) if certificate else None

    def converse(plain: socket.socket) -> None:
        connection = context.wrap_socket(plain, server_side=True) if at_once and context else plain
        _converse(server, connection, None if at_once else context)

    with _listening(converse) as port:
        server.port = port
        yield server


@contextmanager
def _listening(converse: Callable[[socket.socket], None]) -> Iterator[int]:
    listener = socket.create_server(("127.0.0.1", 0))
    ended = threading.Event()

    def one(connection: socket.socket) -> None:
        with suppress(OSError, ValueError), connection:
            converse(connection)

    def accept() -> None:
        while not ended.is_set():
            with suppress(OSError):
                connection, _ = listener.accept()
                connection.settimeout(20)
                threading.Thread(target=one, args=(connection,), daemon=True).start()

    threading.Thread(target=accept, daemon=True).start()
    try:
        yield listener.getsockname()[1]
    finally:
        ended.set()
        listener.close()


def _converse(server: MailServer, connection: socket.socket, tls: ssl.SSLContext | None) -> None:
    server.n_connections += 1
    if server.manner == "silent":
        connection.recv(1)
        return
    if server.manner == "dripping":
        while True:
            connection.sendall(b"2")
            time.sleep(0.1)
    conversation = _Conversation(server, connection, tls)
    try:
        conversation.go_on()
    finally:
        conversation.said.close()
        conversation.connection.close()


class _Conversation:
    """One connection, answered word by word (RFC 5321)."""

    def __init__(
        self, server: MailServer, connection: socket.socket, tls: ssl.SSLContext | None
    ) -> None:
        self.server, self.connection, self.tls = server, connection, tls
        self.said = connection.makefile("rb")
        self.to: list[str] = []

    def go_on(self) -> None:
        self.answer("220 test")
        words: dict[str, Callable[[str], None]] = {
            "EHLO": self.offer, "STARTTLS": self.encrypt, "AUTH": self.admit, "MAIL": self.begin,
            "RCPT": self.take_recipient, "DATA": self.take,
        }  # fmt: skip
        while line := self.said.readline().decode().strip():
            word = line.upper().partition(" ")[0]
            if word == "QUIT":
                self.answer("221 bye")
                return
            words.get(word, self.agree)(line)

    def agree(self, _: str) -> None:
        self.answer("250 yes")

    def answer(self, text: str) -> None:
        self.connection.sendall(f"{text}\r\n".encode())

    def offer(self, _: str) -> None:
        for offer in ("test", *(["STARTTLS"] if self.tls else []), "AUTH PLAIN"):
            self.answer(f"250-{offer}")
        self.answer("250 8BITMIME")

    def encrypt(self, _: str) -> None:
        assert self.tls is not None
        self.answer("220 go on")
        self.said.close()
        self.connection = self.tls.wrap_socket(self.connection, server_side=True)
        self.said, self.tls = self.connection.makefile("rb"), None

    def admit(self, line: str) -> None:
        _, user, password = base64.b64decode(line.split()[2]).decode().split("\0")
        self.server.accounts.append((user, password))
        self.answer("535 no" if password == "wrong" else "235 yes")

    def begin(self, _: str) -> None:
        self.to = []
        self.answer("250 yes")

    def take_recipient(self, line: str) -> None:
        manner = self.server.manner
        if manner == "refusing" or (manner == "some" and "second" in line):
            self.answer("550 nobody@secret.example is not known")
            return
        self.to.append(line.partition("<")[2].partition(">")[0])
        self.answer("250 yes")

    def take(self, _: str) -> None:
        self.answer("354 go on")
        lines = []
        while (part := self.said.readline()) != b".\r\n":
            lines.append(part.removeprefix(b".") if part.startswith(b"..") else part)
        if self.server.manner == "breaking":
            raise ConnectionAbortedError
        self.server.taken.append((tuple(self.to), message_of(b"".join(lines))))
        self.answer("250 yes")


def message_of(raw: bytes) -> EmailMessage:
    message = message_from_bytes(raw, policy=policy.default)
    assert isinstance(message, EmailMessage)
    return message


@dataclass
class HookServer:
    """What a webhook was posted: headers and JSON of each request."""

    port: int = 0
    status: int = 204
    manner: Manner = "well"
    taken: list[tuple[dict[str, str], Any]] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)


@contextmanager
def hook_server(
    manner: Manner = "well", *, status: int = 204, certificate: tuple[Path, Path] | None = None
) -> Iterator[HookServer]:
    """Run a webhook."""
    hook = HookServer(status=status, manner=manner)

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.do_POST()

        def do_POST(self) -> None:
            hook.paths.append(self.path)
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            if hook.manner == "silent":
                time.sleep(20)
                return
            if hook.manner == "breaking":
                self.connection.shutdown(socket.SHUT_RDWR)
                return
            while hook.manner == "dripping":
                self.wfile.write(b"H")
                time.sleep(0.1)
            hook.taken.append((dict(self.headers), json.loads(body or b"null")))
            self.send_response(hook.status)
            if hook.status == 302:
                self.send_header("Location", f"http://127.0.0.1:{hook.port}/elsewhere")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None: ...

        def handle(self) -> None:
            with suppress(OSError):
                super().handle()

        def finish(self) -> None:
            with suppress(OSError):
                super().finish()

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    server.block_on_close = False
    server.handle_error = lambda *_: None  # type: ignore[method-assign]
    if certificate:
        server.socket = served_by(certificate).wrap_socket(
            server.socket, server_side=True, do_handshake_on_connect=True
        )
    hook.port = server.server_address[1]
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield hook
    finally:
        server.shutdown()
        server.server_close()
