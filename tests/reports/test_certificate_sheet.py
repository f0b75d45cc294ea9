"""The sheets: their number and size, nothing cut or printed over, nothing lost, fonts and description."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date
from io import BytesIO
from typing import Literal

import pytest
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas

from calibration.metrology.corners import CORNERS
from reports.certificate import document as doc
from reports.certificate import styles
from reports.certificate.document import to_json
from reports.certificate.layout import PageSize, build_pdf
from reports.certificate.render import render, story

from . import page_inspection, sample_documents, sample_extremes
from .rendering import SIZES, pdf_of, rendered_text, squeezed, text_of

PAGE_POINTS = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}
FOOT_MARGIN = 20.0
ABOVE_FOOT = 2 * FOOT_MARGIN
HEADINGS = {styles.SECTION.fontSize, styles.PART.fontSize}


class TestTheNumberOfPages:
    @pytest.mark.parametrize("page_size", SIZES)
    @pytest.mark.parametrize("name", sample_documents.ORDINARY)
    def test_a_job_takes_two_pages_of_the_size_asked_for(self, name: str, page_size: PageSize) -> None:
        pages = PdfReader(BytesIO(pdf_of(name, page_size))).pages
        assert len(pages) == 2
        for page in pages:
            assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(
                PAGE_POINTS[page_size], abs=0.01
            )

    @pytest.mark.parametrize("page_size", SIZES)
    @pytest.mark.parametrize("rounds", [1, 6])
    @pytest.mark.parametrize("readings", [2, 4])
    @pytest.mark.parametrize("follow_ups", [0, 4])
    def test_so_does_one_with_more_rounds_readings_and_things_to_do(
        self, rounds: int, readings: int, follow_ups: int, page_size: PageSize
    ) -> None:
        sample = sample_documents.repaired()
        first = replace(sample.rounds[0], readings=sample.rounds[0].readings * (readings // 2))
        document = replace(
            sample,
            rounds=tuple(replace(first, number=number) for number in range(1, rounds + 1)),
            follow_ups=tuple(doc.FollowUp("wheel_alignment", corner=corner) for corner in CORNERS[:follow_ups]),
            job=replace(sample.job, note="Leans to the left. " * rounds, remark="Measured twice. " * rounds),
        )
        assert len(PdfReader(BytesIO(render(document, page_size=page_size))).pages) == 2

    @pytest.mark.parametrize("page_size", SIZES)
    @pytest.mark.parametrize("unit", ["mm", "inch"])
    def test_so_does_one_in_other_units(self, unit: Literal["mm", "inch"], page_size: PageSize) -> None:
        for make in (sample_documents.concession_after_everything, sample_documents.reverted_after_everything):
            document = replace(make(), units=doc.Units(unit, "mile", "psi"))
            assert len(PdfReader(BytesIO(render(document, page_size=page_size))).pages) == 2

    @pytest.mark.parametrize("page_size", SIZES)
    @pytest.mark.parametrize("name", ["long", "busy", "extreme"])
    def test_a_long_one_runs_on_without_few_lines_on_its_last_page(self, name: str, page_size: PageSize) -> None:
        pages = page_inspection.pages_of(pdf_of(name, page_size))
        assert len(pages) > 2
        assert page_inspection.filled(pages[-1], ABOVE_FOOT) > 0.2

    @pytest.mark.parametrize("page_size", SIZES)
    @pytest.mark.parametrize("name", sample_extremes.ALL)
    def test_no_heading_stands_alone_at_the_end_of_a_page(self, name: str, page_size: PageSize) -> None:
        for page in page_inspection.pages_of(pdf_of(name, page_size)):
            assert page_inspection.lowest_type(page, ABOVE_FOOT) not in HEADINGS

    @pytest.mark.parametrize("more", range(0, 60, 3))
    def test_sections_move_on_together_so_that_the_last_page_is_worth_turning_to(self, more: int) -> None:
        """Ever more events push the end over the edge of the page."""
        sample = sample_documents.certificate()
        pages = page_inspection.pages_of(render(replace(sample, events=sample.events * (more + 1))))
        assert len(pages) == 2 or page_inspection.filled(pages[-1], ABOVE_FOOT) > 0.2
        assert not {page_inspection.lowest_type(page, ABOVE_FOOT) for page in pages} & HEADINGS

    def test_the_check_itself_finds_a_nearly_empty_page(self) -> None:
        """Negative control: the same pages without moving sections on."""
        sample = sample_documents.certificate()
        documents = (replace(sample, events=sample.events * (more + 1)) for more in range(0, 60, 3))
        built = (build_pdf(document, story(document, "A4"), "A4") for document in documents)
        assert any(each.pages > 2 and each.last_page_filled < 0.2 for each in built)

    def test_the_check_itself_finds_a_heading_at_the_end(self) -> None:
        """Negative control: a heading with nothing below it."""
        sample = sample_documents.certificate()
        alone = [styles.paragraph("Readings", styles.BODY), styles.paragraph("Record", styles.SECTION)]
        (page,) = page_inspection.pages_of(build_pdf(sample, alone, "A4").pdf)
        assert page_inspection.lowest_type(page, ABOVE_FOOT) in HEADINGS

    @pytest.mark.parametrize("page_size", SIZES)
    @pytest.mark.parametrize("name", sample_documents.ORDINARY)
    def test_no_type_is_smaller_than_seven_and_a_half_points(self, name: str, page_size: PageSize) -> None:
        for page in page_inspection.pages_of(pdf_of(name, page_size)):
            assert page.size.min() >= 7.5

    @pytest.mark.parametrize("follow_ups", range(4))
    def test_the_front_page_keeps_its_cautions_where_a_concession_makes_it_longer(self, follow_ups: int) -> None:
        sample = sample_documents.certificate()
        assert sample.as_left is not None
        moved = {corner: replace(each, target_mm=500.0) for corner, each in sample.as_left.corners.items()}
        document = replace(
            sample,
            concession=doc.Concession(500.0, 518.0, "Ramp angle.", "Fleet office", date(2026, 10, 5)),
            as_left=replace(sample.as_left, corners=moved),
            follow_ups=tuple(doc.FollowUp("headlamp_aim", str(number)) for number in range(follow_ups)),
        )
        for page_size in SIZES:
            pages = PdfReader(BytesIO(render(document, page_size=page_size))).pages
            assert "Cautions" in pages[0].extract_text()
            assert len(pages) == 2


class TestTheSheet:
    def test_every_page_names_the_document_the_vehicle_and_itself(self) -> None:
        pages = PdfReader(BytesIO(pdf_of("extreme"))).pages
        assert len(pages) > 2
        for number, page in enumerate(pages, start=1):
            text = page.extract_text()
            assert f"Page {number} of {len(pages)}" in text
            assert (
                "Certificate HOLLINVALE-2026-000000000042-REPLACEMENT-0007 · VIN WWWWWWWWWWWWWWWWW · times in UTC+01:00"
                in text
            )

    @pytest.mark.parametrize("page_size", SIZES)
    @pytest.mark.parametrize("name", sample_extremes.ALL)
    def test_nothing_overlaps_and_nothing_leaves_the_sheet(self, name: str, page_size: PageSize) -> None:
        for page in page_inspection.pages_of(pdf_of(name, page_size)):
            assert page_inspection.overlapping(page) == 0
            assert page_inspection.outside(page, FOOT_MARGIN) == 0

    def test_the_check_itself_finds_overlapping_and_cut_text(self) -> None:
        """Negative control: a sheet with both faults."""
        target = BytesIO()
        canvas = Canvas(target, pagesize=PAGE_POINTS["A4"])
        canvas.drawString(100, 400, "as found")
        canvas.drawString(103, 401, "as left")
        canvas.drawString(560, 300, "cut at the edge")
        canvas.save()
        (page,) = page_inspection.pages_of(target.getvalue())
        assert page_inspection.overlapping(page)
        assert page_inspection.outside(page, FOOT_MARGIN)

    @pytest.mark.parametrize("page_size", SIZES)
    def test_no_text_of_an_extreme_document_is_lost(self, page_size: PageSize) -> None:
        document = sample_extremes.extreme()
        text = squeezed(text_of(pdf_of("extreme", page_size)))
        foot = r"CertificateHOLLINVALE-[^·]*·VINW{17}·timesinUTC\+01:00Page\d+of\d+"
        text = re.sub(foot, "", re.sub(r"Page\d+of\d+CertificateHOLLINVALE-[^·]*·VINW{17}·timesinUTC\+01:00", "", text))
        assert text.count(squeezed(sample_extremes.LONG_SENTENCE)) >= sentences_in(document)
        for name in (document.workshop.name, document.vehicle.registration, *document.workshop.address):
            assert squeezed(name) in text

    @pytest.mark.parametrize(
        ("name", "name_text"),
        [("rear_only_with_concession", "Wörd " * 60), ("findings_report", "W" * 300)],
        ids=["words", "unbroken"],
    )
    def test_texts_of_any_length_flow_on(self, name: str, name_text: str) -> None:
        """Names of 300 characters everywhere, reasons of 3,000: the pages grow in number, nothing fails."""
        document = sample_extremes.filled(sample_extremes.ALL[name](), name_text, "lorem ip " * 333)
        for page in page_inspection.pages_of(render(document)):
            assert page_inspection.overlapping(page) == 0
            assert page_inspection.outside(page, FOOT_MARGIN) == 0

    def test_readings_by_others_are_numbered_and_explained_below(self) -> None:
        sample = sample_documents.certificate()
        readings = (*sample.rounds[0].readings, doc.ReadingEntry("FL", 498.5, False, "Jo Ahlin", "BM-9"))
        first = replace(sample.rounds[0], readings=readings)
        text = rendered_text(replace(sample, rounds=(first, *sample.rounds[1:])))
        assert "497.0, 498.0, 498.5 [1] at 128" in text
        assert "[1] Jo Ahlin, BM-9" in text

    def test_all_fonts_are_embedded(self) -> None:
        """So that the page looks the same everywhere, and may become PDF/A."""
        for name in sample_extremes.ALL:
            for page in PdfReader(BytesIO(pdf_of(name))).pages:
                for font in page["/Resources"]["/Font"].values():  # type: ignore[index]
                    assert "/FontFile2" in font.get_object()["/FontDescriptor"], font.get_object()["/BaseFont"]

    def test_the_file_describes_itself(self) -> None:
        reader = PdfReader(BytesIO(pdf_of("certificate")))
        information = reader.metadata
        assert information is not None
        assert information.title == "Certificate 2026-0042"
        issued_at = sample_documents.certificate().issued_at
        assert information.creation_date == information.modification_date == issued_at
        assert information.author == "Hollin Vale Suspension Works"
        assert information.subject == "Ride-height adjustment of vehicle ZZ9BRAE20R0004711"
        assert reader.trailer["/Root"]["/Lang"] == "en"  # type: ignore[index]
        assert reader.trailer["/Root"]["/ViewerPreferences"]["/DisplayDocTitle"].value is True  # type: ignore[index]

    def test_markup_in_names_is_printed_not_obeyed(self) -> None:
        sample = sample_documents.certificate()
        party = doc.Party("Smith & <b>Sons</b> <img src=x/>", ("</para>",))
        text = rendered_text(replace(sample, workshop=party))
        assert "Smith & <b>Sons</b> <img src=x/>" in text
        assert "</para>" in text

    def test_characters_outside_the_typeface_are_spelled_out(self) -> None:
        sample = sample_documents.certificate()
        text = rendered_text(replace(sample, operator=doc.Party("Ünal Øğ 中\u200b")))
        assert "Ünal Øğ [U+4E2D]" in text

    def test_each_way_to_reach_the_operator_is_called_what_it_is(self) -> None:
        sample = sample_documents.certificate()
        whole = doc.Party("Strand Ambulance Trust", ("Quay House", "Strandby"), "+44 555 0100", "fleet@strand.example")
        text = rendered_text(replace(sample, operator=whole))
        assert "Address Quay House, Strandby" in text
        assert "Telephone +44 555 0100" in text
        assert "E-mail fleet@strand.example" in text

    def test_without_a_postal_address_none_is_claimed(self) -> None:
        sample = sample_documents.certificate()
        text = rendered_text(replace(sample, operator=doc.Party("Strand", email="fleet@strand.example")))
        assert "E-mail fleet@strand.example" in text
        assert "Address" not in text
        assert "E-mail" not in rendered_text(replace(sample, operator=doc.Party("Strand")))

    def test_in_german_too(self) -> None:
        strand = doc.Party("Strand", ("Kai 4",), "0555 100", "fuhrpark@strand.example")
        text = rendered_text(replace(sample_documents.certificate(), operator=strand, language="de"))
        assert "Anschrift Kai 4" in text
        assert "Telefon 0555 100" in text
        assert "E-Mail fuhrpark@strand.example" in text


def sentences_in(document: doc.Document) -> int:
    """How often the long sentence is told in an extreme document (the replacement's reason included)."""
    plain = json.dumps(to_json(document), ensure_ascii=False)
    return plain.count(sample_extremes.LONG_SENTENCE.strip())
