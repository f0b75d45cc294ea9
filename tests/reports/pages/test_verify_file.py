"""A certificate's file handed in on the public page: whether it is the very one that was issued, and still holds."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest
from django.core.cache import cache
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from hypothesis import HealthCheck, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from deploy import verify_certificate
from deploy.verify_certificate import CHECKS as CHECKS_OF_SCRIPT
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from reports.codes import grouped
from reports.models import Certificate
from reports.pages.verify_words import CHECKS
from reports.selectors.certificate_files import LARGEST_FILE
from reports.services.certificates import certificate_issue, certificate_replace
from tests.campaigns.certificates import byte_kinds, kinds, making, miniature
from tests.campaigns.certificates.miniature import Original
from tests.campaigns.certificates.real import issued_by
from tests.factories import Site
from tests.fleet.pages.forms import errors_in, form_of
from tests.reports import jobs
from tests.reports.test_certificate_signature import issued

JSON = {"HTTP_ACCEPT": "application/json"}


@pytest.fixture(autouse=True)
def _nothing_counted_yet() -> None:
    cache.clear()


@pytest.fixture
def certificate(site: Site) -> Certificate:
    return issued(site, jobs.left_alone)[0]


@pytest.fixture
def original(site: Site, certificate: Certificate) -> Original:
    (file,) = issued_by(site.workshop.pk)
    forget_the_workshop()
    return file


def forget_the_workshop() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('app.workshop', '', true)")


def sent(content: bytes, **headers: Any) -> Any:
    return Client().post("/verify/", {"file": SimpleUploadedFile("certificate.pdf", content)}, **headers)


def said(content: bytes) -> str:
    answer = sent(content)
    assert answer.status_code == 200
    text: str = answer.content.decode()
    return text


def altered(original: Original, kind: byte_kinds.Kind) -> bytes:
    found = kind(original, random.Random(3))  # noqa: S311
    assert found is not None
    return found.pdf


def test_the_file_that_was_issued_is_valid(certificate: Certificate, original: Original) -> None:
    page = said(original.pdf)
    assert "This is the very file that was issued here, and it has not been replaced." in page
    assert certificate.vehicle.vin in page
    assert grouped(certificate.code) in page
    assert page.count("<td>holds</td>") == len(CHECKS_OF_SCRIPT)
    assert "does not hold" not in page


def test_programs_are_told_the_same(certificate: Certificate, original: Original) -> None:
    answer = sent(original.pdf, **JSON).json()
    assert answer.keys() == {"state", "sha256", "checks", "certificate"}
    assert answer["state"] == "valid"
    assert [each["name"] for each in answer["checks"]] == [each.__name__ for each in CHECKS_OF_SCRIPT]
    assert all(each["holds"] for each in answer["checks"])
    by_code = Client().get(f"/verify/{certificate.code}", **JSON).json()  # type: ignore[arg-type]
    assert answer["certificate"] == by_code
    assert answer["certificate"]["sha256"] == answer["sha256"]


def test_a_replaced_certificates_file_says_so(site: Site, certificate: Certificate, original: Original) -> None:
    with in_workshop(site.workshop.pk):
        new = certificate_replace(actor=site.manager.actor(), record_id=new_id(), number=1, reason="Mistyped")
        certificate_issue(actor=site.manager.actor(), certificate_id=new.pk)
    forget_the_workshop()
    assert "but no. 2 has taken its place" in said(original.pdf)
    assert sent(original.pdf, **JSON).json()["state"] == "replaced"


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        (byte_kinds.byte_of_page_changed, "content_unchanged"),
        (kinds.revision_appended, "whole_file_signed"),
        (kinds.signed_by_stranger, "signing_certificate_named"),
        (kinds.all_made_anew_by_stranger, "key_known"),
    ],
)
def test_an_altered_file_is_told_with_what_does_not_hold(
    certificate: Certificate, original: Original, kind: byte_kinds.Kind, name: str
) -> None:
    pdf = altered(original, kind)
    page = said(pdf)
    assert "Not as it was issued." in page
    assert f"<td>{CHECKS[name]}</td><td><strong>does not hold</strong></td>" in page
    answer = sent(pdf, **JSON).json()
    assert answer["state"] == "altered"
    assert name in {each["name"] for each in answer["checks"] if not each["holds"]}


@pytest.mark.parametrize("added", [b"\n", b"\n%%EOF appended"])
def test_a_file_of_which_nothing_can_be_read_is_said_to_be_damaged(original: Original, added: bytes) -> None:
    page = said(original.pdf + added)
    assert "Not as it was issued." in page
    assert "nothing in it could be checked" in page
    assert "does not hold" not in page


def test_what_was_issued_is_shown_beside_an_altered_file(certificate: Certificate, original: Original) -> None:
    page = said(altered(original, byte_kinds.byte_of_page_changed))
    assert "What was issued here under the code in the file" in page
    assert certificate.vehicle.vin in page


def test_another_file_signed_with_the_services_own_key_is_not_the_one_that_was_issued(original: Original) -> None:
    """Other pages around a record that was issued: every check of the file alone holds."""
    record = making.record_of(original.pdf)
    other = making.signed(making.with_record(miniature.pages("Other heights"), record), original.insider.signer)
    assert verify_certificate.check(other, [original.insider.verifier_key]).holds
    assert "Not the file that was issued." in said(other)
    assert sent(other, **JSON).json()["state"] == "not_issued"


def test_a_file_of_another_service_is_none_of_this_one(db: None) -> None:
    page = said(miniature.issued().pdf)
    assert "Not as it was issued." in page
    assert "What was issued here under the code" not in page


@pytest.mark.parametrize(
    ("content", "status", "code", "says"),
    [
        (b"", 422, "empty", "The file is empty."),
        (b"GIF89a", 422, "unreadable", "This is no PDF file that can be read."),
        (b"x" * (LARGEST_FILE + 1), 413, "too_large", "The file is larger than 5 MB."),
    ],
    ids=["empty", "no PDF", "large"],
)
def test_what_cannot_be_checked_is_refused_in_the_form(
    db: None, content: bytes, status: int, code: str, says: str
) -> None:
    page = sent(content)
    assert page.status_code == status
    assert says in errors_in(page)["file"]
    problem = sent(content, **JSON)
    assert (problem.status_code, problem.json()["status"]) == (status, status)
    assert problem["Content-Type"] == "application/problem+json"
    error = problem.json()["errors"][0]
    assert (error["pointer"], error["code"]) == ("/file", code)
    assert says in error["detail"]


@pytest.mark.parametrize(
    ("body", "media_type"),
    [
        (b"\xff" * 100, "multipart/form-data"),
        (b"&".join(b"k%d=v" % n for n in range(5000)), "application/x-www-form-urlencoded"),
    ],
    ids=["no boundary", "too many fields"],
)
def test_a_body_that_cannot_be_read_is_told_to_programs_as_by_the_interface(
    db: None, body: bytes, media_type: str
) -> None:
    page = Client().post("/verify/", body, media_type)
    assert (page.status_code, page["Content-Type"]) == (400, "text/html; charset=utf-8")
    problem = Client().post("/verify/", body, media_type, **JSON)  # type: ignore[arg-type]
    assert (problem.status_code, problem["Content-Type"]) == (400, "application/problem+json")
    assert problem.json()["status"] == 400


@pytest.mark.parametrize("body", [{}, {"file": "text in the place of a file"}])
def test_a_form_without_a_file_asks_for_it(db: None, body: dict[str, str]) -> None:
    page = Client().post("/verify/", body)
    assert page.status_code == 422
    assert errors_in(page) == {"file": "PDF file of the certificate: Choose the PDF file."}


def test_the_form_works_without_scripts_and_without_cookies(db: None, original: Original) -> None:
    form = form_of(Client().get("/verify/"), "/verify/")
    assert form.values == {"file": [""]}
    strict = Client(enforce_csrf_checks=True)
    answer = strict.post("/verify/", {"file": SimpleUploadedFile("certificate.pdf", original.pdf)})
    assert answer.status_code == 200
    assert not answer.cookies


def test_the_file_is_not_kept(settings: Any, tmp_path: Path, original: Original) -> None:
    settings.MEDIA_ROOT = tmp_path
    said(original.pdf)
    assert not list(tmp_path.iterdir())


def test_the_page_shows_the_key_with_which_the_script_accepts_the_file(original: Original) -> None:
    (key,) = Client().get("/verify/", **JSON).json()["verifier_keys"]  # type: ignore[arg-type]
    assert f'<code class="key">{key}</code>' in Client().get("/verify/").content.decode()
    assert verify_certificate.check(original.pdf, [key]).holds
    assert not verify_certificate.check(original.pdf, [miniature.insider().verifier_key]).holds


def test_every_check_has_words(db: None) -> None:
    assert list(CHECKS) == [each.__name__ for each in CHECKS_OF_SCRIPT]
    assert len({str(each) for each in CHECKS.values()}) == len(CHECKS)


def test_asking_is_limited_for_files_and_for_codes(db: None) -> None:
    statuses = [sent(b"x").status_code for _ in range(31)]
    assert statuses == [422] * 30 + [429]
    refused = sent(b"x", **JSON)
    assert (refused.status_code, refused.json()["type"]) == (429, "too_many_requests")
    assert int(refused["Retry-After"]) > 0
    codes = [Client().get("/verify/0000000000000000").status_code for _ in range(121)]
    assert codes == [404] * 120 + [429]
    assert Client().get("/verify/").status_code == 200, "nothing was asked"


def test_german_readers_are_told_in_german(original: Original) -> None:
    upload = {"file": SimpleUploadedFile("certificate.pdf", altered(original, byte_kinds.byte_of_page_changed))}
    page = Client().post("/verify/", upload, HTTP_ACCEPT_LANGUAGE="de").content.decode()
    assert "Nicht wie ausgestellt." in page
    assert "gilt nicht" in page
    assert "does not hold" not in page


@examples(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(content=st.binary(max_size=3_000), head=st.sampled_from([b"", b"%PDF-1.7\n", b"%PDF-1.7\n/ByteRange [0 1 2 3]"]))
def test_whatever_is_sent_is_answered(db: None, content: bytes, head: bytes) -> None:
    cache.clear()
    assert sent(head + content).status_code in (200, 422)


@examples(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(changes=st.lists(st.tuples(st.floats(0, 1), st.binary(max_size=6), st.integers(0, 9)), min_size=1, max_size=4))
def test_whatever_is_made_of_a_certificate_is_answered(
    original: Original, changes: list[tuple[float, bytes, int]]
) -> None:
    cache.clear()
    pdf = original.pdf
    for where, by, cut in changes:
        place = int(where * len(pdf))
        pdf = pdf[:place] + by + pdf[place + cut :]
    answer = sent(pdf, **JSON)
    assert answer.status_code == 200
    assert (answer.json()["state"] == "valid") == (pdf == original.pdf)


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"--x\r\n", "multipart/form-data; boundary=x"),
        (b"no parts", "multipart/form-data"),
        (
            b'--x\r\nContent-Disposition: form-data; name="file"; filename="\x00\xff/../a"\r\n\r\nx\r\n--x--\r\n',
            "multipart/form-data; boundary=x",
        ),
        (b"{}", "application/json"),
        (b"\xff\xfe", "application/x-www-form-urlencoded"),
        (b"%PDF-1.7", "application/pdf"),
    ],
)
def test_a_body_that_is_no_form_is_no_fault_of_the_service(db: None, body: bytes, kind: str) -> None:
    assert Client().post("/verify/", body, content_type=kind).status_code in (400, 422)
