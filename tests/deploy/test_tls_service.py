"""The whole service over HTTPS with its local authority: who trusts it is served, a tablet's browser among them."""

from __future__ import annotations

import hashlib
import os
import ssl
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import BrowserContext, Error, Page, Playwright

from deploy.embedded.folder import DataFolder
from deploy.embedded.launch import TRUST_VARIABLES
from deploy.embedded.process import wait_until
from deploy.tls.reading import fingerprint, read_certificate
from tests.browser.seen import axe_findings, sideways_px, tabbed_through
from tests.deploy import trusted_by_chromium
from tests.deploy.conftest import PATIENCE, Service, Starter, started_before
from tests.deploy.tls_parts import DAY, NOW, Files, https_server, make_files
from tests.ports import free_port

NAME = "bench.workshop.example"
PATIENCE_MS = 30_000
OpenedFor = Callable[..., AbstractContextManager[BrowserContext]]
WITHHELD = "figures-for-tests-only"
REGISTERED = """() => navigator.serviceWorker.getRegistration().then(
    found => Boolean(found && found.active && found.active.state === "activated"))"""


class Https:
    """A running service and its ports."""

    def __init__(self, starter: Starter, service: Service, trust_port: int) -> None:
        self.starter, self.service, self.trust_port = starter, service, trust_port
        self.authority = starter.data.tls / "authority.crt"

    @property
    def address(self) -> str:
        return f"https://localhost:{self.service.port}"

    @property
    def explanation(self) -> str:
        return f"http://localhost:{self.trust_port}/trust/"

    def client(self) -> httpx.Client:
        """Trusts the authority, and nothing else."""
        context = ssl.create_default_context(cafile=self.authority)
        return httpx.Client(base_url=self.address, verify=context, timeout=30, trust_env=False)


@pytest.fixture(scope="module")
def https() -> Iterator[Https]:
    with started_before() as folder:
        starter, trust_port = Starter(folder, {"METRICS_TOKEN": WITHHELD}), free_port()
        arguments = ["--local-tls", "--name", NAME, "--trust-port", str(trust_port)]
        try:
            service = starter(arguments=arguments)
            assert service.has_said("serving https"), service.log.read_text()
            yield Https(starter, service, trust_port)
        finally:
            starter.stop_all()


@pytest.fixture
def chromium(playwright: Playwright, chromium_path: str) -> OpenedFor:
    """The machine's own Chromium, for a user with this home folder."""

    @contextmanager
    def opened_for(home: Path, **profile: object) -> Iterator[BrowserContext]:
        environment = os.environ | {"HOME": str(home), "XDG_DATA_HOME": str(home / ".local/share")}
        context = playwright.chromium.launch_persistent_context(
            home / "profile",
            executable_path=chromium_path,
            env=environment,  # type: ignore[arg-type]
            **profile,  # type: ignore[arg-type]
        )
        yield context
        context.close()

    return opened_for


class TestWhoTrustsTheAuthority:
    def test_is_served(self, https: Https) -> None:
        with https.client() as client:
            assert client.get("/healthz").json() == {"status": "alive"}

    def test_negative_control_who_does_not_is_refused(self, https: Https) -> None:
        with (
            httpx.Client(trust_env=False) as client,
            pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"),
        ):
            client.get(f"{https.address}/healthz")

    def test_plain_http_is_not_answered_on_the_same_port(self, https: Https) -> None:
        with httpx.Client(trust_env=False) as client, pytest.raises(httpx.HTTPError):
            client.get(f"http://localhost:{https.service.port}/healthz")

    def test_cookies_are_kept_to_https_and_browsers_are_not_bound_to_it(self, https: Https) -> None:
        with https.client() as client:
            answer = client.get("/sign-in/")
        cookies = answer.headers.get_list("set-cookie")
        assert cookies
        assert all("secure" in cookie.lower().split("; ") for cookie in cookies), cookies
        assert "strict-transport-security" not in answer.headers

    def test_the_keys_are_readable_by_the_service_s_user_alone(self, https: Https) -> None:
        folder = https.authority.parent
        assert folder.stat().st_mode & 0o777 == 0o700
        assert {path.name: path.stat().st_mode & 0o777 for path in folder.iterdir()} == dict.fromkeys(
            ("authority.crt", "authority.key", "server.crt", "server.key"), 0o600
        )


class TestExplanation:
    def test_the_fingerprint_is_the_one_that_the_start_told(self, https: Https) -> None:
        digits = fingerprint(read_certificate(https.authority))
        assert https.service.has_said(digits)
        page = httpx.get(https.explanation, trust_env=False).text
        assert digits.replace(":", "").lower() in page
        assert all(digits[start : start + 23] in page for start in range(0, len(digits), 24))

    def test_it_speaks_the_language_that_the_browser_asks_for(self, https: Https) -> None:
        page = httpx.get(https.explanation, headers={"Accept-Language": "de-CH,de"}, trust_env=False).text
        assert '<html lang="de"' in page
        assert "Dieser Installation vertrauen" in page
        assert "Trust this installation" not in page

    def test_what_is_downloaded_is_the_authority_without_its_key(self, https: Https) -> None:
        """The hash of the file itself is the fingerprint, which is all that some systems can show."""
        taken = httpx.get(f"{https.explanation}levelbook-authority.crt", trust_env=False)
        assert taken.headers["content-type"] == "application/x-x509-ca-cert"
        digits = fingerprint(read_certificate(https.authority))
        assert hashlib.sha256(taken.content).digest().hex(":").upper() == digits
        text = httpx.get(f"{https.explanation}levelbook-authority.pem", trust_env=False)
        assert text.content == https.authority.read_bytes()
        assert b"PRIVATE" not in text.content

    def test_it_is_found_first_there_and_in_the_service_too(self, https: Https) -> None:
        entry = httpx.get(f"http://localhost:{https.trust_port}/", trust_env=False)
        assert (entry.status_code, entry.headers["location"]) == (302, "/trust/")
        with https.client() as client:
            assert "levelbook-authority.crt" in client.get("/trust/").text

    @pytest.mark.parametrize("path", ["/sign-in/", "/api/v1/me/", "/bench/", "/trust/authority.key"])
    def test_nothing_else_answers_without_https(self, https: Https, path: str) -> None:
        assert httpx.get(f"http://localhost:{https.trust_port}{path}", trust_env=False).status_code == 404

    def test_its_process_was_given_nothing_secret(self, https: Https) -> None:
        given = https.service.child("deploy.tls.explaining").environ()
        own = {"PYTHONPATH", "LEVELBOOK_DATA", "LEVELBOOK_SUPERVISED_DATA"}
        assert given.keys() - own - set(TRUST_VARIABLES) <= {"LC_CTYPE"}
        assert WITHHELD in https.service.child("deploy.asgi").environ().values(), "negative control"
        assert WITHHELD not in given.values()

    def test_it_comes_back_when_killed(self, https: Https) -> None:
        https.service.child("deploy.tls.explaining").kill()
        assert wait_until(lambda: https.service.has_said("trust restarted"), PATIENCE)
        assert wait_until(lambda: answers(https.explanation), PATIENCE)

    @pytest.mark.parametrize("theme", ["light", "dark"])
    def test_anybody_can_read_it(self, https: Https, theme: str, chromium: OpenedFor, tmp_path: Path) -> None:
        with chromium(tmp_path, color_scheme=theme, viewport={"width": 320, "height": 500}) as context:
            page, complaints = opened(context)
            page.goto(https.explanation)
            assert axe_findings(page) == []
            assert sideways_px(page) == 0
            assert complaints == []
            assert all(focus.is_visible for focus in tabbed_through(page))


class TestTablet:
    def test_a_browser_that_trusts_the_authority_installs_the_bench_app(
        self, https: Https, chromium: OpenedFor, tmp_path: Path
    ) -> None:
        trust(tmp_path, https.authority)
        with chromium(tmp_path) as context:
            page, _complaints = opened(context)
            page.goto(f"{https.address}/bench/")
            page.wait_for_function("() => navigator.serviceWorker.controller !== null", timeout=PATIENCE_MS)
            assert page.evaluate(REGISTERED)
            assert page.evaluate("performance.getEntriesByType('navigation')[0].nextHopProtocol") == "h2"

    def test_negative_control_one_that_does_not_opens_nothing(
        self, https: Https, chromium: OpenedFor, tmp_path: Path
    ) -> None:
        with chromium(tmp_path) as context:
            page, _complaints = opened(context)
            with pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"):
                page.goto(f"{https.address}/bench/")

    def test_negative_control_past_the_warning_it_installs_nothing(
        self, https: Https, chromium: OpenedFor, tmp_path: Path
    ) -> None:
        """Why the page says not to go past it."""
        with chromium(tmp_path, ignore_https_errors=True) as context:
            page, _complaints = opened(context)
            page.goto(f"{https.address}/bench/")
            failure = page.evaluate(
                "() => navigator.serviceWorker.register('/bench/service-worker.js').then(() => '', String)"
            )
            assert "SSL certificate error" in failure

    @pytest.mark.parametrize(
        ("host", "outcome"), [("other.local", "reached"), ("bank.example", "ERR_CERT"), (f"a.{NAME}", "reached")]
    )
    def test_the_browser_keeps_to_the_authority_s_limits(
        self, https: Https, chromium: OpenedFor, tmp_path: Path, host: str, outcome: str
    ) -> None:
        """Whoever had stolen it could not pass for a site elsewhere."""
        trust(tmp_path, https.authority)
        issuer = Files(https.authority, https.authority.with_suffix(".key"))
        forged = make_files(tmp_path / "forged", hosts=[host], issuer=issuer)
        with (
            https_server(forged) as port,
            chromium(tmp_path, args=["--host-resolver-rules=MAP * 127.0.0.1"]) as context,
        ):
            page, _complaints = opened(context)
            assert outcome in title_or_error(page, f"https://{host}:{port}/")


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda folder: make_files(folder, ends_at=NOW - DAY / 24), "ran out on"),
        (
            lambda folder: Files(make_files(folder / "a").certificate, make_files(folder / "b").key),
            "does not belong to",
        ),
        (lambda folder: Files(folder, make_files(folder).key), "cannot be read (Is a directory)"),
        (lambda folder: Files(folder / "none", folder / "none"), "cannot be read (No such file or directory)"),
    ],
    ids=["expired", "other key", "unreadable", "missing"],
)
def test_a_certificate_that_is_no_good_stops_the_start_before_anything_else(
    data: DataFolder, make: Callable[[Path], Files], message: str
) -> None:
    files = make(data.root.parent / "given")
    service = Starter(data)(arguments=["--tls-cert", str(files.certificate), "--tls-key", str(files.key)])
    assert service.process.wait(PATIENCE) == 1
    assert service.has_said(message), service.log.read_text()
    assert len(service.log.read_text().splitlines()) == 1
    assert not (data.root / "postgres").exists()


def test_everything_ends_together_and_a_given_certificate_takes_its_place(https: Https) -> None:
    """The last of these tests: it ends the service that the others share."""
    page = https.service.child("deploy.tls.explaining")
    assert https.service.interrupt() == 0
    assert not page.is_running()
    files = make_files(https.starter.data.root.parent / "given", hosts=["localhost"])
    second = https.starter(arguments=["--tls-cert", str(files.certificate), "--tls-key", str(files.key)])
    assert second.has_said("serving https"), second.log.read_text()
    context = ssl.create_default_context(cafile=files.certificate)
    with httpx.Client(base_url=f"https://localhost:{second.port}", verify=context, trust_env=False) as client:
        signing_in = client.get("/sign-in/", timeout=30)
        assert "secure" in signing_in.headers["set-cookie"].lower()
        assert int(signing_in.headers["strict-transport-security"].removeprefix("max-age=")) >= 180 * 24 * 3600
        assert client.get("/trust/", timeout=30).status_code == 404
    assert not second.has_said("trust is ready")


def answers(address: str) -> bool:
    try:
        return httpx.get(address, trust_env=False).status_code == 200
    except httpx.HTTPError:
        return False


def trust(home: Path, authority: Path) -> None:
    command = [sys.executable, trusted_by_chromium.__file__, str(home), str(authority)]
    subprocess.run(command, check=True)


def opened(context: BrowserContext) -> tuple[Page, list[str]]:
    """A page, and what the browser complains about on it."""
    page, complaints = context.new_page(), list[str]()
    page.set_default_timeout(PATIENCE_MS)
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    return page, complaints


def title_or_error(page: Page, address: str) -> str:
    try:
        page.goto(address)
    except Error as error:
        return error.message
    return page.title()
