"""Documents and mails in German: a language in which nouns begin with capitals and figures have a comma."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from django.core import mail
from django.utils.translation import override

from fleet.services import workshop_update
from reports.certificate.conclusion import conclude
from reports.drawing import quantities
from tests.factories import Site

from . import jobs, sample_documents
from .rendering import rendered_text
from .snapshots import document, inside


def chooses_german(site: Site) -> None:
    inside(
        jobs.Bench.at(site),
        workshop_update,
        by=site.manager,
        expected_versions=[site.workshop.version],
        changes={"language": "de"},
    )


def test_figures_have_the_decimal_sign_of_the_language() -> None:
    with override("de"):
        assert quantities.length(486.04, "mm") == "486,0"
        assert quantities.length(-2.26, "mm", signed=True) == "−2,3"
        assert quantities.pressure(250, "bar") == "2,50 bar"
        assert quantities.distance(84210, "km") == "84\u202f210 km"
    assert quantities.length(486.04, "mm") == "486.0"


def test_the_words_of_work_done_begin_as_the_language_wants_it() -> None:
    sample = sample_documents.repaired()
    assert sample.as_found is not None
    corner = replace(sample.as_found.corners["FL"], overtaken_by="Höhensensor ersetzt")
    found = replace(sample.as_found, corners={**sample.as_found.corners, "FL": corner})
    with override("de"):
        told = conclude(replace(sample, as_found=found)).sentences
    assert "Seither ausgeführt: Höhensensor ersetzt (vorn links)." in told


def test_a_page_is_in_the_documents_language_whatever_is_set_elsewhere() -> None:
    text = rendered_text(replace(sample_documents.certificate(), language="de"))
    assert "Eingestellt: alle vier Ecken innerhalb der Toleranz" in text
    assert "486,0 ± 6,0" in text
    assert "Ende: Bescheinigung Nr. 2026-0042." in text
    with override("de"):
        assert "End of certificate no. 2026-0042." in rendered_text(sample_documents.certificate())


def test_a_record_becomes_a_document_in_the_workshops_language(site: Site, ready: jobs.Bench) -> None:
    chooses_german(site)
    ready.measure(jobs.LOW_FRONT_LEFT)
    ready.counts["FL"] = 140
    ready.measure(jobs.LOW_FRONT_LEFT)
    ready.end("Feder gebrochen")
    written = document(ready)
    assert written.language == "de"
    told = [each.detail for each in written.findings]
    assert "Abgelesen wurde der Einstellwert 140, erwartet war 128." in " ".join(told)


def test_a_mail_is_in_the_workshops_language(site: Site, perform_all: Callable[[Site], list[str]]) -> None:
    chooses_german(site)
    operator = site.operator(email="fuhrpark@strand.example")
    perform_all(site)
    mail.outbox.clear()
    jobs.left_alone(site, vehicle=site.vehicle(operator=operator))
    perform_all(site)
    message = next(each for each in mail.outbox if each.to == ["fuhrpark@strand.example"])
    assert message.subject.startswith("Bescheinigung ")
    assert "Mit dem Code" in message.body
