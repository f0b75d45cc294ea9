"""The command line of `deploy/start`."""

import argparse
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from deploy.tls.hosts import read_host

LAST_PORT = 65535
LOOPBACK = ("127.0.0.1", "localhost", "::1")
EVERY_ADDRESS = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104 (compared, not bound)
"""Under which address of its own this machine reaches what listens on all of them."""


@dataclass(frozen=True)
class Options:
    """What was asked for."""

    host: str
    port: int
    demo: bool
    tls_cert: Path | None
    tls_key: Path | None
    local_tls: bool
    names: tuple[str, ...]
    trust_port: int

    @property
    def is_https(self) -> bool:
        return self.local_tls or self.tls_cert is not None

    @property
    def own_host(self) -> str:
        """Where this machine itself reaches the service."""
        return EVERY_ADDRESS.get(self.host, self.host)

    @property
    def address(self) -> str:
        return self.address_at(self.own_host)

    @property
    def asked_hosts(self) -> tuple[str, ...]:
        """Names and addresses that the local authority has to vouch for."""
        return self.names if self.host in EVERY_ADDRESS else (*self.names, read_host(self.host))

    def address_at(self, host: str) -> str:
        return f"{'https' if self.is_https else 'http'}://{in_address(host)}:{self.port}"

    def trust_address_at(self, host: str) -> str:
        """Without HTTPS: whoever does not trust the authority yet has to read it."""
        return f"http://{in_address(host)}:{self.trust_port}"


def parse(arguments: Sequence[str]) -> Options:
    """Read the command line; `--data` becomes LEVELBOOK_DATA."""
    parser = _parser()
    given = parser.parse_args(arguments)
    if given.trust_port is None:
        given.trust_port = given.port + 1
    _refuse_what_does_not_go_together(parser, given)
    if given.data:
        os.environ["LEVELBOOK_DATA"] = str(given.data.absolute())
    return Options(
        host=given.host,
        port=given.port,
        demo=not given.no_demo,
        tls_cert=_absolute(given.tls_cert),
        tls_key=_absolute(given.tls_key),
        local_tls=given.local_tls,
        names=tuple(given.name),
        trust_port=given.trust_port,
    )


def in_address(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="deploy/start", description="Run Levelbook on this machine.")
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: %(default)s)")
    parser.add_argument("--port", type=int, default=8000, help="port to listen on (default: %(default)s)")
    parser.add_argument("--data", type=Path, help="data folder (default: LEVELBOOK_DATA, else var in the checkout)")
    parser.add_argument("--no-demo", action="store_true", help="do not load the demo workshop on the first run")
    https = parser.add_argument_group("HTTPS", "Without it tablets cannot keep records while they have no network.")
    https.add_argument("--tls-cert", type=Path, metavar="FILE", help="certificate, then those that vouch for it (PEM)")
    https.add_argument("--tls-key", type=Path, metavar="FILE", help="private key of the certificate (PEM)")
    https.add_argument(
        "--local-tls", action="store_true", help="make an authority of this installation, which tablets come to trust"
    )
    https.add_argument(
        "--name",
        type=_host,
        metavar="HOST",
        nargs="+",
        action="extend",
        default=[],
        help="with --local-tls: further names or addresses under which tablets reach this machine",
    )
    https.add_argument(
        "--trust-port",
        type=int,
        metavar="N",
        help="with --local-tls: port of the page that explains how a tablet comes to trust it (default: one more)",
    )
    return parser


def _refuse_what_does_not_go_together(parser: argparse.ArgumentParser, given: argparse.Namespace) -> None:
    if (given.tls_cert is None) != (given.tls_key is None):
        parser.error("--tls-cert and --tls-key are given together or not at all")
    if given.local_tls and given.tls_cert:
        parser.error("--local-tls makes a certificate: leave out --tls-cert and --tls-key, or leave it out")
    if not 1 <= given.port <= LAST_PORT:
        parser.error(f"--port is a number from 1 to {LAST_PORT}")
    if not given.local_tls:
        if given.name or given.trust_port != given.port + 1:
            parser.error("--name and --trust-port belong to --local-tls")
    elif not 1 <= given.trust_port <= LAST_PORT or given.trust_port == given.port:
        parser.error(f"--trust-port is another number than --port, from 1 to {LAST_PORT}")
    elif given.host not in EVERY_ADDRESS:
        _require_host(parser, given.host)


def _require_host(parser: argparse.ArgumentParser, host: str) -> None:
    try:
        read_host(host)
    except ValueError as error:
        parser.error(f"--host: {error}")


def _host(text: str) -> str:
    try:
        return read_host(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _absolute(path: Path | None) -> Path | None:
    return path.absolute() if path else None
