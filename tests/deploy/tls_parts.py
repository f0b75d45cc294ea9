"""Certificates made for tests, and connections that end in this process."""

from __future__ import annotations

import ssl
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    KeySerializationEncryption,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from cryptography.x509.oid import NameOID

from deploy.tls.hosts import general_name

NOW = datetime.now(UTC).replace(microsecond=0)
DAY = timedelta(days=1)


@dataclass(frozen=True)
class Files:
    certificate: Path
    key: Path


def make_files(
    folder: Path,
    *,
    hosts: Sequence[str] = ("bench.example.org",),
    begins_at: datetime = NOW - DAY,
    ends_at: datetime = NOW + 90 * DAY,
    issuer: Files | None = None,
    passphrase: bytes | None = None,
    form: PrivateFormat = PrivateFormat.PKCS8,
) -> Files:
    """A certificate for these hosts and its key, by an issuer or by itself."""
    folder.mkdir(parents=True, exist_ok=True)
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "bench")])
    builder = x509.CertificateBuilder().subject_name(name).public_key(key.public_key()).serial_number(7)
    builder = builder.not_valid_before(begins_at).not_valid_after(ends_at)
    if hosts:
        builder = builder.add_extension(x509.SubjectAlternativeName(list(map(general_name, hosts))), critical=False)
    signed = _signed(builder, issuer) if issuer else builder.issuer_name(name).sign(key, hashes.SHA256())
    files = Files(folder / "server.pem", folder / "server.key")
    files.certificate.write_bytes(signed.public_bytes(Encoding.PEM))
    locking: KeySerializationEncryption = BestAvailableEncryption(passphrase) if passphrase else NoEncryption()
    files.key.write_bytes(key.private_bytes(Encoding.PEM, form, locking))
    return files


def _signed(builder: x509.CertificateBuilder, issuer: Files) -> x509.Certificate:
    key = load_pem_private_key(issuer.key.read_bytes(), password=None)
    assert isinstance(key, ec.EllipticCurvePrivateKey)
    subject = x509.load_pem_x509_certificate(issuer.certificate.read_bytes()).subject
    return builder.issuer_name(subject).sign(key, hashes.SHA256())


def is_trusted(certificate: Path, key: Path, host: str, *, authority: Path | None) -> bool:
    """Tell whether OpenSSL, trusting this authority and no other, accepts the server under this name."""
    server_context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server_context.load_cert_chain(certificate, key)
    client_context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    if authority:
        client_context.load_verify_locations(authority)
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    client = client_context.wrap_bio(to_client, to_server, server_hostname=host)
    server = server_context.wrap_bio(to_server, to_client, server_side=True)
    while not _shook_hands(client):
        _shook_hands(server)
        if client.version() is None and to_client.pending == 0:
            return False
    return True


def _shook_hands(end: ssl.SSLObject) -> bool:
    try:
        end.do_handshake()
    except ssl.SSLWantReadError:
        return False
    return True


class Answer(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(b"<title>reached</title>")

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 (the library's name)
        """Nothing on the terminal."""


@contextmanager
def https_server(files: Files) -> Iterator[int]:
    """The port of a server with this certificate."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(files.certificate, files.key)
    server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
