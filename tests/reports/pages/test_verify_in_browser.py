"""A certificate's file on the public page in Chromium: chosen, dropped, and the answer for everybody."""

from __future__ import annotations

import base64
from collections.abc import Iterator

import pytest
from django.core.cache import cache
from playwright.sync_api import Browser, FilePayload, Page, expect

from tests.browser.seen import axe_findings, sideways_px
from tests.factories import make_site
from tests.reports import jobs
from tests.reports.test_certificate_signature import issued

DROPPED = """([selector, content, count]) => {
    const bytes = Uint8Array.from(atob(content), each => each.charCodeAt(0));
    const carried = new DataTransfer();
    for (let i = 0; i < count; i++) carried.items.add(new File([bytes], `certificate ${i}.pdf`));
    const place = document.querySelector(selector);
    for (const kind of ['dragover', 'drop']) {
        const event = new DragEvent(kind, { dataTransfer: carried, bubbles: true, cancelable: true });
        if (place.dispatchEvent(event)) throw new Error('the browser would open the file');
    }
}"""


@pytest.fixture
def pdf(committed_db: None) -> bytes:
    cache.clear()
    site = make_site()
    site.vehicle()
    return bytes(issued(site, jobs.left_alone)[1].pdf)


@pytest.fixture
def page(browser: Browser, origin: str) -> Iterator[Page]:
    context = browser.new_context(base_url=origin, reduced_motion="reduce")
    page = context.new_page()
    page.goto("/verify/")
    yield page
    context.close()


def drop(page: Page, selector: str, content: bytes, count: int = 1) -> None:
    page.evaluate(DROPPED, [selector, base64.b64encode(content).decode(), count])


def test_a_chosen_file_is_answered_for_everybody(page: Page, pdf: bytes) -> None:
    page.get_by_label("PDF file of the certificate").set_input_files(
        FilePayload(name="certificate.pdf", mimeType="application/pdf", buffer=pdf)
    )
    page.get_by_role("button", name="Check the file").click()
    expect(page.get_by_text("This is the very file that was issued here")).to_be_visible()
    assert axe_findings(page) == []
    page.set_viewport_size({"width": 320, "height": 256})
    assert sideways_px(page) == 0


def test_a_dropped_file_is_sent_as_if_chosen(page: Page, pdf: bytes) -> None:
    expect(page.get_by_text("Or drop the file here.")).to_be_visible()
    drop(page, "[data-file-drop] label", pdf[:-1] + b"x")
    expect(page.get_by_text("Not as it was issued.")).to_be_visible()
    assert axe_findings(page) == []


def test_what_is_no_one_file_on_the_form_is_not_sent(page: Page, pdf: bytes) -> None:
    drop(page, "[data-file-drop] label", pdf, count=2)
    drop(page, "h1", pdf)
    expect(page.get_by_text("Or drop the file here.")).to_be_visible()
    assert page.get_by_label("PDF file of the certificate").input_value() == ""


def test_without_scripts_nothing_is_offered_that_would_need_them(browser: Browser, origin: str) -> None:
    context = browser.new_context(base_url=origin, java_script_enabled=False)
    page = context.new_page()
    page.goto("/verify/")
    expect(page.get_by_text("Or drop the file here.")).to_be_hidden()
    expect(page.get_by_label("PDF file of the certificate")).to_be_visible()
    context.close()
