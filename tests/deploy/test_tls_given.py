"""`--tls-cert` and `--tls-key`, and what else of HTTPS the command line, the settings and the greeting say."""

from __future__ import annotations

import os
import shlex
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from cryptography.hazmat.primitives.serialization import PrivateFormat

from deploy.embedded import launch
from deploy.embedded.folder import DataFolder, EmbeddedServiceError
from deploy.embedded.options import Options, parse
from deploy.tls.given import given_certificate
from deploy.tls.served import Served
from tests.deploy.test_settings import settings_value
from tests.deploy.tls_parts import DAY, NOW, Files, make_files

NOBODY = 65534
Spoiling = Callable[[Files, Path], Files]


def read(files: Files, now: datetime = NOW) -> Served:
    return given_certificate(files.certificate, files.key, now=now)


class TestGiven:
    @pytest.mark.parametrize("form", [PrivateFormat.PKCS8, PrivateFormat.TraditionalOpenSSL])
    def test_a_certificate_and_its_key_are_taken(self, tmp_path: Path, form: PrivateFormat) -> None:
        files = make_files(tmp_path, hosts=["bench.example.org", "*.bays.example.org", "10.0.0.4"], form=form)
        served = read(files)
        assert served.hosts == ("bench.example.org", "*.bays.example.org", "10.0.0.4")
        assert (served.certificate, served.key) == (files.certificate, files.key)
        assert (served.ends_at, served.authority) == (NOW + 90 * DAY, None)

    @pytest.mark.parametrize(
        ("now", "message"),
        [
            (NOW + 90 * DAY, r"server\.pem ran out on \d{4}-\d\d-\d\d \d\d:\d\d UTC: renew it"),
            (NOW - 2 * DAY, r"is not valid before .* UTC: put the clock of this machine right"),
        ],
    )
    def test_outside_its_time_it_is_refused(self, tmp_path: Path, now: datetime, message: str) -> None:
        with pytest.raises(EmbeddedServiceError, match=message):
            read(make_files(tmp_path), now)

    @pytest.mark.parametrize("option", ["certificate", "key"])
    def test_a_file_that_the_service_may_not_read_is_named(self, data: DataFolder, option: str) -> None:
        files = make_files(data.root.parent)
        getattr(files, option).chmod(0)
        said = r"--tls-(cert|key) .* cannot be read \(Permission denied\): mend the path, or let the user"
        with as_an_ordinary_user(), pytest.raises(EmbeddedServiceError, match=said):
            read(files)

    def test_negative_control_the_same_user_reads_files_that_he_may(self, data: DataFolder) -> None:
        files = make_files(data.root.parent)
        with as_an_ordinary_user():
            assert read(files).hosts == ("bench.example.org",)

    @pytest.mark.parametrize(
        ("spoil", "message"),
        [
            (lambda files, folder: Files(folder / "none.pem", files.key), r"none\.pem cannot be read \(No such file"),
            (lambda files, folder: Files(folder, files.key), r"--tls-cert .* cannot be read \(Is a directory"),
            (lambda files, folder: Files(files.key, files.key), "--tls-cert .* holds no certificate in PEM form"),
            (lambda files, folder: Files(files.certificate, files.certificate), "--tls-key .* holds no private key"),
            (
                lambda files, folder: Files(files.certificate, make_files(folder / "b").key),
                "does not belong to the cert",
            ),
            (
                lambda files, folder: Files(files.certificate, make_files(folder / "b", passphrase=b"s").key),
                "is locked with a passphrase.* give a copy without one",
            ),
            (lambda files, folder: make_files(folder / "b", hosts=()), "names no host .*so no browser accepts it"),
            (lambda files, folder: chained(make_files(folder / "b"), files), "does not begin with the server's own"),
        ],
        ids=["missing", "folder", "no certificate", "no key", "other key", "locked", "no name", "order"],
    )
    def test_what_is_wrong_is_said(self, tmp_path: Path, spoil: Spoiling, message: str) -> None:
        with pytest.raises(EmbeddedServiceError, match=message):
            read(spoil(make_files(tmp_path / "a"), tmp_path))

    def test_negative_control_those_that_vouch_for_it_follow(self, tmp_path: Path) -> None:
        own = make_files(tmp_path / "a")
        chain = chained(own, make_files(tmp_path / "b"))
        assert read(Files(chain.certificate, own.key)).hosts == ("bench.example.org",)


class TestCommandLine:
    @pytest.mark.parametrize(
        ("arguments", "message"),
        [
            (["--tls-cert", "a.pem"], "--tls-cert and --tls-key are given together or not at all"),
            (["--local-tls", "--tls-cert", "a", "--tls-key", "b"], "--local-tls makes a certificate"),
            (["--name", "bench.local"], "--name and --trust-port belong to --local-tls"),
            (["--trust-port", "8100"], "--name and --trust-port belong to --local-tls"),
            (["--local-tls", "--name", "https://bench.local"], "is no name or address of a host"),
            (["--local-tls", "--host", "bench_pc"], "--host: 'bench_pc' is no name or address of a host"),
            (["--local-tls", "--trust-port", "8000"], "--trust-port is another number than --port"),
            (["--local-tls", "--port", "65535"], "--trust-port is another number than --port, from 1 to 65535"),
        ],
    )
    def test_what_does_not_go_together_is_refused(
        self, arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        with pytest.raises(SystemExit) as ended:
            parse(arguments)
        assert ended.value.code == 2
        assert message in capsys.readouterr().err

    def test_names_add_up_and_the_page_that_explains_is_one_port_on(self) -> None:
        options = parse(["--local-tls", "--name", "A.local", "b.local", "--name", "10.0.0.4", "--port", "8443"])
        assert options.names == ("a.local", "b.local", "10.0.0.4")
        assert options.asked_hosts == ("a.local", "b.local", "10.0.0.4", "127.0.0.1")
        assert (options.address, options.trust_port) == ("https://127.0.0.1:8443", 8444)

    @pytest.mark.parametrize(("host", "own"), [("0.0.0.0", "127.0.0.1"), ("::", "::1"), ("10.0.0.4", "10.0.0.4")])  # noqa: S104
    def test_what_listens_everywhere_is_asked_at_home(self, host: str, own: str) -> None:
        options = parse(["--local-tls", "--host", host])
        assert options.own_host == own
        assert options.asked_hosts == (() if own in ("127.0.0.1", "::1") else (own,))


class TestDefaults:
    @pytest.fixture(autouse=True)
    def nothing_set(self, monkeypatch: pytest.MonkeyPatch) -> None:
        names = ("HOSTS", "PUBLIC_URL", "HTTPS", "LOCAL_AUTHORITY", "BEHIND_PROXY")
        for name in names:
            monkeypatch.setenv(f"LEVELBOOK_{name}", "")  # so that what the code sets is taken back
            monkeypatch.delenv(f"LEVELBOOK_{name}")

    def test_a_certificate_makes_the_public_address_https_under_its_own_name(self, tmp_path: Path) -> None:
        files = make_files(tmp_path, hosts=["*.bays.example.org", "bench.example.org", "fd00::4"])
        options = serving("--tls-cert", str(files.certificate), "--tls-key", str(files.key))
        launch._set_defaults(options, read(files))
        assert os.environ["LEVELBOOK_PUBLIC_URL"] == "https://bench.example.org:8000"
        assert os.environ["LEVELBOOK_HTTPS"] == "1"
        assert "LEVELBOOK_LOCAL_AUTHORITY" not in os.environ
        answered = os.environ["LEVELBOOK_HOSTS"].split(",")
        assert {"bench.example.org", ".bays.example.org", "[fd00::4]", "localhost", "[::1]"} <= set(answered)

    def test_without_one_nothing_is_https(self) -> None:
        launch._set_defaults(serving(), None)
        assert os.environ["LEVELBOOK_PUBLIC_URL"] == "http://127.0.0.1:8000"
        assert "LEVELBOOK_HTTPS" not in os.environ

    @pytest.mark.parametrize(
        ("arguments", "variables", "is_warned"),
        [
            (["--host", "0.0.0.0"], {}, True),  # noqa: S104
            (["--host", "192.168.1.4"], {}, True),
            (["--host", "127.0.0.1"], {}, False),
            (["--host", "0.0.0.0"], {"LEVELBOOK_BEHIND_PROXY": "1"}, False),  # noqa: S104
            (["--host", "0.0.0.0", "--local-tls"], {}, False),  # noqa: S104
        ],
    )
    def test_plain_http_beyond_this_machine_is_warned_of(
        self,
        arguments: list[str],
        variables: dict[str, str],
        is_warned: bool,
        data: DataFolder,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        for name, value in variables.items():
            monkeypatch.setenv(name, value)
        options = serving(*arguments)
        served = launch._certificate(options, data)
        launch._set_defaults(options, served)
        launch._greet(options, data, served)
        said = capsys.readouterr().out
        assert ("WARNING: without HTTPS tablets cannot keep records while they have no network" in said) is is_warned

    @pytest.mark.parametrize(
        ("arguments", "variables", "is_warned"),
        [
            (["--host", "0.0.0.0"], {}, True),  # noqa: S104
            (["--host", "0.0.0.0"], {"LEVELBOOK_PUBLIC_URL": "http://localhost:8000"}, True),  # noqa: S104
            (["--host", "0.0.0.0"], {"LEVELBOOK_PUBLIC_URL": "http://192.168.1.4:8000"}, False),  # noqa: S104
            (["--host", "192.168.1.4"], {}, False),
            (["--host", "127.0.0.1"], {}, False),
        ],
    )
    def test_codes_that_only_this_machine_can_follow_are_warned_of(
        self,
        arguments: list[str],
        variables: dict[str, str],
        is_warned: bool,
        data: DataFolder,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        for name, value in variables.items():
            monkeypatch.setenv(name, value)
        options = serving(*arguments)
        launch._set_defaults(options, None)
        launch._greet(options, data, None)
        said = capsys.readouterr().out
        assert ("LEVELBOOK_PUBLIC_URL=http://" in said) is is_warned
        hosts = os.environ["LEVELBOOK_HOSTS"].split(",")
        assert all(urlsplit(value).hostname in hosts for value in variables.values())

    def test_without_the_demo_the_greeting_names_the_very_command_that_makes_a_workshop(
        self, data: DataFolder, capsys: pytest.CaptureFixture[str]
    ) -> None:
        for arguments in ((), ("--no-demo",)):
            options = serving(*arguments)
            launch._set_defaults(options, None)
            launch._greet(options, data, None)
            command = next((line for line in capsys.readouterr().out.splitlines() if "create_workshop" in line), "")
            assert bool(command) is bool(arguments)
        asked = subprocess.run([*shlex.split(f"env {command}"), "--help"], capture_output=True, text=True, cwd="/")
        assert "Make a workshop" in asked.stdout, asked.stderr
        assert shlex.split(command)[0] == f"LEVELBOOK_DATA={data.root}"

    def test_browsers_are_bound_to_https_by_a_certificate_but_not_by_a_local_authority(self, data: DataFolder) -> None:
        expression = "settings.SECURE_HSTS_SECONDS > 0, settings.SESSION_COOKIE_SECURE, settings.CSRF_COOKIE_SECURE"
        https = {"LEVELBOOK_DATA": str(data.root), "LEVELBOOK_HTTPS": "1"}
        assert settings_value(expression, **https).stdout == "True True True\n"
        local = settings_value(expression, **https, LEVELBOOK_LOCAL_AUTHORITY="authority.crt")
        assert local.stdout == "False True True\n", local.stderr


def serving(*arguments: str) -> Options:
    return parse(arguments)


def chained(first: Files, second: Files) -> Files:
    """Two certificates in one file, with the second one's key."""
    first.certificate.write_bytes(first.certificate.read_bytes() + second.certificate.read_bytes())
    return Files(first.certificate, second.key)


@contextmanager
def as_an_ordinary_user() -> Iterator[None]:
    """Root may read everything; where it runs the tests it becomes nobody for a while."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
