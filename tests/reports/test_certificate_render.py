"""The pages of certificates and findings reports, read back with pypdf and pdfminer.six."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas

from calibration.metrology.corners import CORNERS
from reports.certificate import document as doc
from reports.certificate.conclusion import conclude
from reports.certificate.document import DocumentError, from_json, to_json
from reports.certificate.layout import PageSize
from reports.certificate.render import RENDERER_VERSION, RenderError, render

from . import page_inspection, sample_documents

ORDINARY = ("certificate", "left_alone", "findings_report")
SIZES: tuple[PageSize, ...] = ("A4", "Letter")
PAGE_POINTS = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}
FOOT_MARGIN = 20.0


@cache
def pdf_of(name: str, page_size: PageSize = "A4") -> bytes:
    return render(sample_documents.ALL[name](), page_size=page_size)


def text_of(pdf: bytes) -> str:
    """All text, white space made single: a line break in a cell is no other text."""
    pages = (page.extract_text() for page in PdfReader(BytesIO(pdf)).pages)
    return re.sub(r"\s+", " ", " ".join(pages))


def squeezed(text: str) -> str:
    """Without white space, so that a word broken over two lines is found."""
    return re.sub(r"\s+", "", text)


def rendered_text(document: doc.Document) -> str:
    return text_of(render(document))


class TestWhatACertificateSays:
    @pytest.mark.parametrize(
        "words",
        [
            "Certificate",
            "Ride-height adjustment",
            "No. 2026-0042",
            "ZZ9BRAE20R0004711",
            "SAT 214",
            "84210 km",
            "Brae Halden 4 (2024)",
            "255/60R18 112V, 250 kPa, all four",
            "Strand Ambulance Trust",
            "Hollin Vale Suspension Works",
            "ambulance equipment aboard, half tank",
            "J-2026-0117, Height sensor replaced",
            "Adjusted: all four corners within tolerance",
            "Found outside tolerance: Front left.",
            "Front left 486.0 ± 6.0 497.5 +11.5 ± 2.6 outside 486.5 +0.5 ± 2.6 within 128 → 116",
            "Front right 486.0 ± 6.0 490.0 +4.0 ± 2.6 undecided 486.0 0.0 ± 2.6 within 131 → 127",
            "Rear, left − right ± 8.0 +2.5 ± 3.6 within +1.5 ± 3.6 within",
            "128 → 116 read 116",
            "Baseline, the set-points from which shift limits count: Front left 125",
            "497.0, 498.0 at 128",
            "Tape measure BM-2207 accuracy class II 1.0 mm 2026-03-02 2027-03-02 K-2026-0311",
            "Revision 3, in force from 2026-01-01. Source: Manufacturer, Brae workshop manual, issue 4, p. 112.",
            "Level of the floor: passed",
            "Decision rule: a result is within tolerance only if",
            "guard band equal to U",
            "1.98 (147)",
            "heave +4.0 mm, pitch +7.5 mm, roll +5.0 mm, warp +2.5 mm",
            "Have the headlamp aim checked.",
            "keep head and hands out of the gap between tyre and arch",
            "Never go under a vehicle held only by its suspension.",
            "change handling, braking, rollover stability",
            "qualified persons only",
            "claims no roadworthiness and no laboratory accreditation",
            "The results concern only the vehicle named here",
            "The work is complete: Ilse Mørk, technician, 2026-10-06 09:42.",
            "Vehicle ledger, entry 212",
            "7KQM-3XTD-9WPA",
            "End of certificate no. 2026-0042",
            "Page 1 of 2",
            "Page 2 of 2",
        ],
    )
    def test_it_states(self, words: str) -> None:
        assert words in text_of(pdf_of("certificate"))

    def test_signatures_and_ledger_entry_give_their_whole_hash(self) -> None:
        assert squeezed(text_of(pdf_of("certificate"))).count(sample_documents.HASH) == 2

    def test_a_replacement_names_what_it_replaces_and_why(self) -> None:
        text = text_of(pdf_of("rear_only_with_concession"))
        assert "Replaces no. 2026-0042" in text
        assert "Replaces no. 2026-0042. Reason: VIN corrected." in text

    def test_a_concession_shows_both_targets_its_reason_its_caution_and_the_self_approval(self) -> None:
        text = text_of(pdf_of("rear_only_with_concession"))
        assert "504.0 ± 6.0 518.0 ± 6.0" in text
        assert "Concession: targets front 486.0 mm, rear 518.0 mm. Reason: Ramp angle of the ferry." in text
        assert "This vehicle was set to heights other than its specification's." in text
        assert "Concession: approved. Asked for in writing. (Tomas Weißmüller (manager)" in text
        assert "self-approved)" in text

    def test_a_corner_that_cannot_be_adjusted_is_marked_and_named_in_the_verdict(self) -> None:
        text = text_of(pdf_of("rear_only_with_concession"))
        assert "Not within tolerance and not adjustable here: Front left, front right." in text
        assert "undecided * not controlled" in text

    def test_set_points_are_shown_as_the_specification_says_and_a_mismatch_stands_out(self) -> None:
        text = text_of(pdf_of("rear_only_with_concession"))
        assert "−0xC → 0x3 read 0x1" in text
        assert "NOT VERIFIED" in text

    def test_a_voided_as_found_height_is_shown_but_not_judged(self) -> None:
        sample = sample_documents.certificate()
        assert sample.as_found is not None
        void = replace(sample.as_found.corners["FL"], void_reason="sensor replaced within the job")
        found = replace(sample.as_found, corners={**sample.as_found.corners, "FL": void})
        text = rendered_text(replace(sample, as_found=found))
        assert "497.5 +11.5 ± 2.6 not judged *" in text
        assert "* Front left as found no longer counts: sensor replaced within the job." in text
        assert "Found outside tolerance" not in text

    def test_struck_readings_and_rulings_stay_visible_with_their_reasons(self) -> None:
        strike = doc.Strike(
            1, "FL", 479.0, 497.0, "Tape slipped.", "Ilse Mørk", sample_documents.at(20), after_verdict=True
        )
        ruling = doc.Ruling("accept", "Clock was an hour ahead.", "Tomas Weißmüller", sample_documents.at(60))
        finding = doc.FindingEntry("clock_wrong", "review", "Taken 58 min later than received.", ruling=ruling)
        text = rendered_text(replace(sample_documents.certificate(), strikes=(strike,), findings=(finding,)))
        assert "Round 1, Front left: 479.0 mm, replaced by 497.0 mm. Reason: Tape slipped. (Ilse Mørk" in text
        assert "after its verdict was shown" in text
        assert "Recorded with a wrong clock (needs a ruling). Taken 58 min later than received." in text
        assert "Ruling: accepted. Clock was an hour ahead. (Tomas Weißmüller" in text

    def test_inches_miles_and_psi_are_shown_to_those_who_want_them(self) -> None:
        units = doc.Units("inch", "mile", "psi")
        text = rendered_text(replace(sample_documents.certificate(), units=units))
        assert "Front left 19.13 ± 0.24 19.59 +0.45 ± 0.10 outside 19.15 +0.02 ± 0.10 within" in text
        assert "52326 mi" in text
        assert "36 psi" in text
        assert "1 in = 25.4 mm exactly" in text


class TestWhatAFindingsReportSays:
    def test_it_says_why_the_job_ended_and_what_to_mend(self) -> None:
        text = text_of(pdf_of("findings_report"))
        assert "Findings report" in text
        assert "Adjustment not completed" in text
        assert "Why the job ended: The rear left corner loses height faster than its limit." in text
        assert "What to mend • Find and mend the leak at the rear left air spring." in text
        assert "−4.6 ± 0.4 outside" in text
        assert "Rear left: Leak above the limit (stops adjustment)." in text

    def test_it_states_no_completion(self) -> None:
        text = text_of(pdf_of("findings_report"))
        assert "The job ended without completion: Ilse Mørk" in text
        assert "The work is complete" not in text
        assert "The work is complete" in text_of(pdf_of("certificate"))

    def test_a_job_that_ended_before_any_measurement_says_so(self) -> None:
        sample = sample_documents.findings_report()
        text = rendered_text(replace(sample, as_found=None, rounds=(), specification=None, leak_tests=()))
        assert "No heights were measured." in text
        assert "None was at hand for this vehicle model." in text

    def test_a_reverted_job_says_that_the_set_points_found_were_restored(self) -> None:
        sample = sample_documents.findings_report()
        text = rendered_text(replace(sample, job=replace(sample.job, state="reverted")))
        assert "Returned to the set-points found; adjustment not completed" in text


class TestConclusions:
    def headline(self, verdict: doc.Verdict | None, **changes: Any) -> str:
        sample = sample_documents.certificate()
        assert sample.as_left is not None
        return conclude(replace(sample, as_left=replace(sample.as_left, verdict=verdict), **changes)).headline

    def test_within_after_a_write_is_called_adjusted(self) -> None:
        assert self.headline("within") == "Adjusted: all four corners within tolerance"

    def test_within_without_a_write_is_called_left_alone(self) -> None:
        assert self.headline("within", writes=()) == "Within tolerance and left alone"

    def test_undecided_is_never_called_within(self) -> None:
        assert self.headline("undecided") == "Signed off undecided, with approval"

    def test_outside_is_never_called_within(self) -> None:
        assert self.headline("outside") == "Outside tolerance"

    def test_without_a_specification_nothing_is_judged(self) -> None:
        assert self.headline(None, specification=None) == "Heights measured; not judged"


class TestBytes:
    @pytest.mark.parametrize("page_size", SIZES)
    @pytest.mark.parametrize("name", sample_documents.ALL)
    def test_the_same_document_gives_the_same_bytes(self, name: str, page_size: PageSize) -> None:
        assert render(sample_documents.ALL[name](), page_size=page_size) == pdf_of(name, page_size)

    def test_another_process_time_zone_and_hash_seed_give_the_same_bytes(self) -> None:
        """A fresh interpreter, Django configured with nothing, in another zone, with other dictionary orders."""
        script = (
            "import sys, hashlib, django; from django.conf import settings; settings.configure(); django.setup();"
            "from tests.reports import sample_documents; from reports.certificate.render import render;"
            "sys.stdout.write(hashlib.sha256(render(sample_documents.certificate())).hexdigest())"
        )
        environment = {**os.environ, "TZ": "Pacific/Chatham", "PYTHONHASHSEED": "4711"}
        environment.pop("DJANGO_SETTINGS_MODULE", None)
        root = Path(__file__).parents[2]
        run = subprocess.run(
            [sys.executable, "-c", script],
            cwd=root,
            env=environment,
            capture_output=True,
            text=True,
            check=True,
        )
        assert run.stdout == hashlib.sha256(pdf_of("certificate")).hexdigest()

    def test_another_figure_gives_other_bytes(self) -> None:
        sample = sample_documents.certificate()
        changed = replace(sample, vehicle=replace(sample.vehicle, odometer_km=84211.0))
        assert render(changed) != pdf_of("certificate")

    def test_a_stored_snapshot_gives_the_same_bytes(self) -> None:
        stored = json.dumps(to_json(sample_documents.certificate()), sort_keys=True)
        assert render(from_json(json.loads(stored))) == pdf_of("certificate")


class TestTheSheet:
    @pytest.mark.parametrize("page_size", SIZES)
    @pytest.mark.parametrize("name", ORDINARY)
    def test_an_ordinary_job_takes_two_pages_of_the_size_asked_for(self, name: str, page_size: PageSize) -> None:
        pages = PdfReader(BytesIO(pdf_of(name, page_size))).pages
        assert len(pages) == 2
        for page in pages:
            assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(
                PAGE_POINTS[page_size], abs=0.01
            )

    def test_every_page_names_the_document_the_vehicle_and_itself(self) -> None:
        pages = PdfReader(BytesIO(pdf_of("extreme"))).pages
        assert len(pages) > 2
        for number, page in enumerate(pages, start=1):
            text = page.extract_text()
            assert f"Page {number} of {len(pages)}" in text
            assert "Certificate HOLLINVALE-2026-000000000042-REPLACEMENT-0007 · VIN WWWWWWWWWWWWWWWWW" in text

    @pytest.mark.parametrize("page_size", SIZES)
    @pytest.mark.parametrize("name", sample_documents.ALL)
    def test_nothing_overlaps_and_nothing_leaves_the_sheet(self, name: str, page_size: PageSize) -> None:
        for page in page_inspection.pages_of(pdf_of(name, page_size)):
            assert page_inspection.overlapping(page) == []
            assert page_inspection.outside(page, FOOT_MARGIN) == []

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
        document = sample_documents.extreme()
        text = squeezed(text_of(pdf_of("extreme", page_size)))
        foot = r"CertificateHOLLINVALE-[^·]*·VINW{17}Page\d+of\d+"
        text = re.sub(foot, "", re.sub(r"Page\d+of\d+CertificateHOLLINVALE-[^·]*·VINW{17}", "", text))
        assert text.count(squeezed(sample_documents.LONG_SENTENCE)) >= sentences_in(document)
        for name in (document.workshop.name, document.vehicle.registration, *document.workshop.address):
            assert squeezed(name) in text

    @pytest.mark.parametrize(
        ("name", "name_text"),
        [("rear_only_with_concession", "Wörd " * 60), ("findings_report", "W" * 300)],
        ids=["words", "unbroken"],
    )
    def test_texts_of_any_length_flow_on(self, name: str, name_text: str) -> None:
        """Names of 300 characters everywhere, reasons of 3,000: the pages grow in number, nothing fails."""
        document = sample_documents.filled(sample_documents.ALL[name](), name_text, "lorem ip " * 333)
        for page in page_inspection.pages_of(render(document)):
            assert page_inspection.overlapping(page) == []
            assert page_inspection.outside(page, FOOT_MARGIN) == []

    def test_readings_by_others_are_numbered_and_explained_below(self) -> None:
        sample = sample_documents.certificate()
        readings = (*sample.rounds[0].readings, doc.ReadingEntry("FL", 498.5, False, "Jo Ahlin", "BM-9"))
        first = replace(sample.rounds[0], readings=readings)
        text = rendered_text(replace(sample, rounds=(first, *sample.rounds[1:])))
        assert "497.0, 498.0, 498.5 [1] at 128" in text
        assert "[1] Jo Ahlin, BM-9" in text

    def test_all_fonts_are_embedded(self) -> None:
        """So that the page looks the same everywhere, and may become PDF/A."""
        for name in sample_documents.ALL:
            for page in PdfReader(BytesIO(pdf_of(name))).pages:
                for font in page["/Resources"]["/Font"].values():  # type: ignore[index]
                    assert "/FontFile2" in font.get_object()["/FontDescriptor"], font.get_object()["/BaseFont"]

    def test_the_file_describes_itself(self) -> None:
        reader = PdfReader(BytesIO(pdf_of("certificate")))
        information = reader.metadata
        assert information is not None
        assert information.title == "Certificate 2026-0042"
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


def sentences_in(document: doc.Document) -> int:
    """How often the long sentence is told in an extreme document (the replacement's reason included)."""
    plain = json.dumps(to_json(document), ensure_ascii=False)
    return plain.count(sample_documents.LONG_SENTENCE.strip())


class TestRefusals:
    def test_an_unknown_page_size_names_the_known_ones(self) -> None:
        with pytest.raises(RenderError, match="page_size is 'A5'; allowed: A4, Letter"):
            render(sample_documents.certificate(), page_size="A5")  # type: ignore[arg-type]

    def test_an_unknown_renderer_version_names_its_own(self) -> None:
        with pytest.raises(RenderError, match=f"'0'; this code draws version {RENDERER_VERSION}"):
            render(sample_documents.certificate(), renderer_version="0")

    def test_a_time_without_offset_is_refused_as_it_would_be_read_in_the_machines_zone(self) -> None:
        sample = sample_documents.certificate()
        naive = replace(sample.job, opened_at=datetime(2026, 10, 6, 8, 12))  # noqa: DTZ001 - what is refused
        with pytest.raises(DocumentError, match="2026-10-06T08:12:00 has no UTC offset"):
            render(replace(sample, job=naive))


class TestSnapshot:
    @pytest.mark.parametrize("make", sample_documents.ALL.values(), ids=sample_documents.ALL)
    def test_a_document_survives_storage_as_json(self, make: Callable[[], doc.Document]) -> None:
        document = make()
        assert from_json(json.loads(json.dumps(to_json(document)))) == document

    def test_whole_numbers_that_json_shortened_come_back_as_floats(self) -> None:
        """Canonical JSON (RFC 8785) writes 486.0 as 486."""
        plain = json.loads(json.dumps(to_json(sample_documents.certificate())).replace("486.0", "486"))
        assert from_json(plain) == sample_documents.certificate()

    def test_wrong_unknown_and_missing_fields_are_named(self) -> None:
        plain = to_json(sample_documents.certificate())
        plain["vehicle"]["odometer_km"] = "many"
        plain["colour"] = "blue"
        plain["setpoints"]["XX"] = plain["setpoints"]["FL"]
        del plain["number"]
        with pytest.raises(DocumentError) as refusal:
            from_json(plain)
        for part in ("$.vehicle.odometer_km", "colour", "XX", "number"):
            assert part in str(refusal.value)

    def test_another_schema_version_is_refused(self) -> None:
        plain = {**to_json(sample_documents.certificate()), "schema_version": 99}
        with pytest.raises(DocumentError, match="schema_version is 99; this renderer reads 1"):
            from_json(plain)

    def test_dates_and_times_keep_their_kind_and_offset(self) -> None:
        plain = to_json(sample_documents.certificate())
        assert plain["job"]["opened_at"] == "2026-10-06T08:12:00+01:00"
        specification = from_json(plain).specification
        assert specification is not None
        assert specification.effective_from == date(2026, 1, 1)

    def test_every_controlled_corner_keeps_its_set_points(self) -> None:
        plain = to_json(sample_documents.certificate())
        assert plain["setpoints"]["FL"] == {"as_found": 128, "as_left": 116, "baseline": 125}
        assert list(plain["setpoints"]) == list(CORNERS)
