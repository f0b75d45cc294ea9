"""What certificates and findings reports say to their reader."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta, timezone
from io import BytesIO
from typing import Any

import pytest
from pypdf import PdfReader

from calibration.rules import texts as rule_texts
from calibration.rules.finding_kinds import SEVERITIES
from calibration.rules.readiness import ITEMS
from reports.certificate import document as doc
from reports.certificate import front_page, texts
from reports.certificate.conclusion import conclude
from reports.certificate.render import RENDERER_VERSION
from reports.drawing import palette
from reports.selectors.conclusions import Concluded
from reports.snapshot.finding_words import STATEMENTS

from . import sample_documents, sample_extremes, sample_parts
from .rendering import pdf_of, rendered_text, squeezed, text_of


class TestWhatACertificateSays:
    @pytest.mark.parametrize(
        "words",
        [
            "Certificate",
            "Ride-height adjustment",
            "No. 2026-0042",
            "ZZ9BRAE20R0004711",
            "SAT 214",
            "84 210 km",
            "Brae Halden 4 (2024)",
            "255/60R18 112V, 250 kPa, all four",
            "Strand Ambulance Trust",
            "Hollin Vale Suspension Works",
            "ambulance equipment aboard, half tank",
            "J-2026-0117, Height sensor replaced",
            "Adjusted: all four corners within tolerance",
            "Found outside tolerance: Front left.",
            "Front left 486.0 ± 6.0 497.5 +11.5 ± 2.6 outside 486.5 +0.5 ± 2.6 within 128 → 116",
            "Rear left 504.0 ± 6.0 505.5 +1.5 ± 2.6 within 505.0 +1.0 ± 2.6 within 117, unchanged",
            "Front right 486.0 ± 6.0 490.0 +4.0 ± 2.6 undecided 486.0 0.0 ± 2.6 within 131 → 127",
            "Rear, left − right ± 8.0 +2.5 ± 3.6 within +1.5 ± 3.6 within",
            "1 6 Oct 2026, 08:53, Ilse Mørk; computed proposal Front left 128 → 116; Front right 131 → 127 verified",
            "Baseline, the set-points from which shift limits count: Front left 125; Front right 125.",
            "497.0, 498.0 at 128",
            "Tape measure BM-2207: accuracy class II, resolution 1.0 mm, calibrated 2 Mar 2026, due 2 Mar 2027, "
            "calibration certificate K-2026-0311.",
            "Revision 3, in force from 1 Jan 2026. Source: Manufacturer, Brae workshop manual, issue 4, p. 112.",
            "Passed: Stored faults; Leak check; Level of the floor;",
            "Checked by Ilse Mørk, last 6 Oct 2026, 08:21.",
            "Decision rule: a result is within tolerance only if",
            "guard band equal to U",
            "1.98 (147)",
            "Heave: the whole body high (+) or low (−)",
            "Pitch: the front high (+) or low (−) against the rear",
            "Roll: the left side high (+) or low (−) against the right",
            "Warp: twist: front left and rear right high (+) or low (−) against the other two",
            "As found +4.0 +7.5 +5.0 +2.5 As left +0.3 0.0 +1.0 −0.5",
            "the true value lies within that range with a probability of about 95 %",
            "undecided means that this range reaches across the limit of the tolerance",
            "Set-point: the number that the vehicle's control unit stores for a corner.",
            "Received 6 Oct 2026, 08:12 ",
            "Done by Ilse Mørk",
            "Heights are traceable through the calibration certificate stated for each instrument.",
            "Have the headlamp aim checked.",
            "keep head and hands out of the gap between tyre and arch",
            "Never go under a vehicle held only by its suspension.",
            "change handling, braking, rollover stability",
            "qualified persons only",
            "claims no roadworthiness and no laboratory accreditation",
            "The results concern only the vehicle named here",
            "The work is complete: signed by Ilse Mørk, technician, 6 Oct 2026, 09:42.",
            "Scan to verify, or enter the code 7KQM-3XTD-9WPA",
            f"figures by calculation method version 1.0.0, page layout version {RENDERER_VERSION}",
            "End of certificate no. 2026-0042",
            "Page 1 of 2",
            "Page 2 of 2",
        ],
    )
    def test_it_states(self, words: str) -> None:
        assert words in text_of(pdf_of("certificate"))

    def test_signatures_give_their_whole_hash(self) -> None:
        assert squeezed(text_of(pdf_of("certificate"))).count(sample_parts.HASH) == 1

    def test_a_replacement_names_what_it_replaces_and_why(self) -> None:
        text = text_of(pdf_of("rear_only_with_concession"))
        assert "Replaces no. 2026-0042" in text
        assert "Replaces no. 2026-0042. Reason: VIN corrected." in text

    def test_a_concession_shows_both_targets_its_reason_its_caution_and_the_self_approval(self) -> None:
        text = text_of(pdf_of("rear_only_with_concession"))
        assert "504.0 ± 6.0 518.0 ± 6.0" in text
        assert "Concession: targets front 486.0 mm, rear 518.0 mm. Reason: Ramp angle of the ferry." in text
        assert "This vehicle was set to heights other than its specification's." in text
        assert (
            "Concession: approved. Asked for in writing. (Tomas Weißmüller, manager, 6 Oct 2026, 08:42, self-approved)"
            in text
        )

    def test_who_decides_in_a_managers_place_is_called_so_and_the_approval_is_told_once_with_its_hash(self) -> None:
        sample = sample_documents.concession_after_everything()
        decided = sample.approvals[-1]
        signed = doc.Signature(decided.decided_by, "deputy", "approval", decided.decided_at, decided.content_sha256)
        elsewhere = replace(signed, signed_at=sample_parts.at(39))
        text = rendered_text(replace(sample, signatures=(signed, elsewhere, *sample.signatures)))
        told = "go ahead. (Tomas Weißmüller, manager's deputy, 6 Oct 2026, 08:52) SHA-256 " + decided.content_sha256
        assert told in text
        assert text.count("Approved: Tomas Weißmüller, manager's deputy, 6 Oct 2026, 08:51.") == 1
        assert "Approved: Tomas Weißmüller, manager's deputy, 6 Oct 2026, 08:52" not in text

    @pytest.mark.parametrize("name", sample_documents.ORDINARY)
    def test_the_zone_of_all_times_is_said_once_on_each_page(self, name: str) -> None:
        pages = PdfReader(BytesIO(pdf_of(name))).pages
        assert [page.extract_text().count("UTC") for page in pages] == [1] * len(pages)

    def test_corners_that_did_not_move_are_not_listed_among_the_writes(self) -> None:
        text = text_of(pdf_of("certificate"))
        written = text[text.index("Set-points written") : text.index("Every reading")]
        assert "Front left" in written
        assert "Rear" not in written

    def test_what_failed_or_was_left_out_of_readiness_stands_before_what_passed(self) -> None:
        sample = sample_documents.certificate()
        first, second, *rest = sample.readiness
        failed = replace(first, outcome="fail", note="Code 4711 stored.")
        undone = doc.ReadinessEntry(second.item, "not_done")
        text = rendered_text(replace(sample, readiness=(*rest, failed, undone)))
        assert "FAILED: Stored faults. NOT CHECKED: Leak check. Passed: Level of the floor;" in text
        assert "Stored faults: Code 4711 stored." in text

    def test_an_item_that_failed_before_it_passed_says_so_and_what_was_seen(self) -> None:
        sample = sample_documents.certificate()
        first, second, *rest = sample.readiness
        mended = replace(first, failed_at=first.checked_at, failed_note="Code 4711 stored.", note="Cleared.")
        bare = replace(second, failed_at=second.checked_at)
        text = rendered_text(replace(sample, readiness=(mended, bare, *rest)))
        assert "(Code 4711 stored) and passed later. Cleared." in text
        assert "Leak check: Had failed on" in text

    def test_a_corner_that_cannot_be_adjusted_is_marked_and_named_in_the_verdict(self) -> None:
        text = text_of(pdf_of("rear_only_with_concession"))
        assert "Not within tolerance and not adjustable here: Front left, front right." in text
        assert "undecided * not controlled" in text

    def test_set_points_are_shown_as_the_specification_says_and_a_mismatch_stands_out(self) -> None:
        text = text_of(pdf_of("rear_only_with_concession"))
        assert "Rear left −0xC → 0x3, read 0x1; Rear right −0xC → 0x3 NOT VERIFIED" in text
        assert "NOT VERIFIED" in text

    def test_a_write_without_a_proposal_is_called_neither_verified_nor_not(self) -> None:
        sample = sample_documents.reverted()
        alone = replace(sample, writes=(replace(sample.writes[0], proposal=None),))
        assert "verified" not in rendered_text(alone).lower()
        assert "verified" in rendered_text(replace(sample, writes=sample.writes[:1]))

    def test_what_was_found_before_a_repair_is_judged_as_it_was_found(self) -> None:
        text = text_of(pdf_of("repaired"))
        assert "Found outside tolerance before the repair: Front left." in text
        assert "470.0 −16.0 ± 2.6 outside †" in text
        assert "† Front left, as found, was measured before this work: height sensor replaced." in text
        for vague in ("superseded", "not judged", "no longer counts"):
            assert vague not in text

    def test_a_repair_is_in_the_headline_and_named_with_its_place(self) -> None:
        sample = sample_documents.repaired()
        assert conclude(sample).headline == "Repaired and adjusted: all four corners within tolerance"
        assert "Done since then: height sensor replaced (front left)." in conclude(sample).sentences
        assert conclude(replace(sample, writes=())).headline == "Repaired: all four corners within tolerance"
        assert sample.as_found is not None
        whole = {c: replace(each, overtaken_by="control unit replaced") for c, each in sample.as_found.corners.items()}
        everywhere = conclude(replace(sample, as_found=replace(sample.as_found, corners=whole)))
        assert "Done since then: control unit replaced (whole vehicle)." in everywhere.sentences

    def test_a_vehicle_found_outside_and_right_without_a_write_is_not_told_that_it_was_right(self) -> None:
        sample = replace(sample_documents.repaired(), writes=())
        assert "No set-point was changed." in conclude(sample).sentences
        assert any("makes it worse" in each for each in conclude(sample_documents.left_alone()).sentences)

    def test_a_repair_of_what_was_within_tolerance_is_not_called_found_outside(self) -> None:
        sample = sample_documents.repaired()
        assert sample.as_found is not None
        corners = {
            **sample.as_found.corners,
            "FL": replace(sample.as_found.corners["FR"], overtaken_by="leak repaired"),
        }
        text = rendered_text(replace(sample, as_found=replace(sample.as_found, corners=corners)))
        assert "within †" in text
        assert "Found outside tolerance" not in text.replace("Found outside tolerance: difference", "")

    def test_a_side_alone_that_was_found_outside_is_named(self) -> None:
        sample = sample_documents.left_alone()
        assert sample.as_found is not None
        side = replace(sample.as_found.sides["rear"], verdict="outside")
        found = replace(sample.as_found, rounds=(9,), sides={**sample.as_found.sides, "rear": side})
        words = " ".join(conclude(replace(sample, as_found=found)).sentences)
        assert "Found outside tolerance: difference between left and right, rear." in words

    def test_struck_readings_and_rulings_stay_visible_with_their_reasons(self) -> None:
        strike = doc.Strike(
            1, "FL", 479.0, 497.0, "Tape slipped.", "Ilse Mørk", sample_parts.at(20), after_verdict=True
        )
        ruling = doc.Ruling("accept", "Clock was an hour ahead.", "Tomas Weißmüller", sample_parts.at(60))
        finding = doc.FindingEntry(
            "clock_wrong", "review", "Taken 58 min later than received.", ruling=ruling, status="settled"
        )
        text = rendered_text(replace(sample_documents.certificate(), strikes=(strike,), findings=(finding,)))
        assert "Round 1, Front left: 479.0 mm, replaced by 497.0 mm. Reason: Tape slipped. (Ilse Mørk" in text
        assert "after its verdict was shown" in text
        assert "Recorded with a wrong clock (settled). Taken 58 min later than received." in text
        assert "Ruling: accepted. Clock was an hour ahead. (Tomas Weißmüller" in text

    def test_inches_miles_and_psi_are_shown_to_those_who_want_them(self) -> None:
        units = doc.Units("inch", "mile", "psi")
        text = rendered_text(replace(sample_documents.certificate(), units=units))
        assert "Front left 19.13 ± 0.24 19.59 +0.45 ± 0.10 outside 19.15 +0.02 ± 0.10 within" in text
        assert "52 326 mi" in text
        assert "36 psi" in text
        assert "1 in = 25.4 mm exactly" in text


class TestWhatAFindingsReportSays:
    def test_it_says_why_the_job_ended_and_what_to_mend(self) -> None:
        text = text_of(pdf_of("findings_report"))
        assert "Findings report" in text
        assert "Adjustment not completed" in text
        assert "Why the job ended: The rear left corner loses height faster than its limit." in text
        assert "What to mend • Find and mend the leak at the rear left air spring." in text
        assert "+4.6 ± 0.4 outside" in text
        assert "Rear left: Leak above the limit (OPEN)." in text

    def test_it_states_no_completion(self) -> None:
        text = text_of(pdf_of("findings_report"))
        assert "The job was ended without completion by Ilse Mørk, technician, 6 Oct 2026, 09:42." in text
        assert "The work is complete" not in text
        assert "The work is complete" in text_of(pdf_of("certificate"))

    def test_a_job_that_ended_before_any_measurement_says_so(self) -> None:
        sample = sample_documents.findings_report()
        text = rendered_text(replace(sample, as_found=None, rounds=(), specification=None, leak_tests=()))
        assert "No heights were measured." in text
        assert "None was at hand for this vehicle model." in text
        assert "Method, uncertainty" not in text

    def test_a_reverted_job_names_who_decided_who_wrote_and_who_measured(self) -> None:
        text = text_of(pdf_of("reverted"))
        assert "Returned to the set-points found; adjustment not completed" in text
        assert "earlier set-points: decided by Tomas Weißmüller, manager, 6 Oct 2026, 09:02." in text
        assert "Written back by Ilse Mørk, 6 Oct 2026, 09:12." in text
        assert "Measured afterwards by Jo Ahlin, 6 Oct 2026, 09:26." in text
        assert "Done by Ilse Mørk, Jo Ahlin" in text

    @pytest.mark.parametrize("name", ["findings_report", "reverted", "bare"])
    def test_nothing_is_called_a_signature_where_nobody_signed(self, name: str) -> None:
        text = text_of(pdf_of(name))
        assert "How the job ended" in text
        assert "Nobody signs this" in text
        for word in ("Signature", "Signed", "signed by"):
            assert word not in text
        assert "Signatures, approvals and refusals" in text_of(pdf_of("certificate"))

    def test_a_job_that_brought_back_an_earlier_ones_set_points_does_not_call_them_found(self) -> None:
        sample = sample_documents.reverted()
        job = replace(sample.job, reason="reversion")
        assert conclude(replace(sample, job=job)).headline == "Returned to the earlier set-points"

    def test_a_vehicle_worked_on_after_the_last_measurement_is_not_said_to_be_left_like_that(self) -> None:
        sample = sample_documents.reverted()
        assert "not measured again" in rendered_text(replace(sample, as_left=None))
        assert "not measured again" not in rendered_text(sample)

    def test_heights_that_nothing_could_judge_are_said_to_be_measured(self) -> None:
        sample = replace(sample_documents.findings_report(), as_found=None)
        assert "Heights were measured but could not be judged." in rendered_text(sample)
        unspecified = rendered_text(replace(sample, specification=None))
        assert "Heights were measured; no specification was at hand to judge them by." in unspecified

    def test_a_report_bears_no_mark_of_success_though_all_was_within(self) -> None:
        sample = replace(sample_documents.left_alone(), kind="findings_report")
        blue = palette.BLUE.hexval()
        assert front_page.look_of(sample).colour.hexval() != blue
        assert front_page.look_of(replace(sample, kind="certificate")).colour.hexval() == blue


class TestFindings:
    def told(self, **changes: Any) -> str:
        finding = doc.FindingEntry("write_not_verified", "review", "116 was to be stored, and 118 was read back.", "FL")
        return rendered_text(replace(sample_documents.certificate(), findings=(replace(finding, **changes),)))

    def test_open_ones_are_marked_and_said_to_lack_a_ruling(self) -> None:
        text = self.told()
        assert "Front left: Read-back differs from what was to be written (OPEN). 116 was to be stored" in text
        assert "Nobody has ruled on it." in text

    def test_settled_ones_say_by_what_and_whom(self) -> None:
        text = self.told(status="settled", settled="read anew by Jo Ahlin, 6 Oct 2026, 09:00")
        assert "(settled). 116 was to be stored, and 118 was read back. Settled: read anew by Jo Ahlin" in text
        for word in ("OPEN", "Nobody has ruled"):
            assert word not in text

    def test_notes_ask_for_nothing(self) -> None:
        text = self.told(status="note", severity="note")
        assert "(note)." in text
        assert "Nobody has ruled" not in text

    def test_every_code_and_reason_of_the_rules_has_words_for_the_customer(self) -> None:
        """A code without words would be printed as a code."""
        for code in {*SEVERITIES, *rule_texts.FINDINGS}:
            assert code in texts.FINDINGS, code
            assert code in STATEMENTS, code

    def test_every_item_of_readiness_has_a_name(self) -> None:
        assert set(ITEMS) == set(texts.READINESS_ITEMS)

    def test_what_was_only_received_once_more_makes_nobody_a_worker(self) -> None:
        sample = sample_documents.reverted()
        last_round = replace(sample.rounds[-1], number=9, measured_by="Nobody Else", repeats=sample.rounds[-1].number)
        last_write = replace(sample.writes[-1], number=9, written_by="Nobody Else", repeats=sample.writes[-1].number)
        text = rendered_text(replace(sample, rounds=(*sample.rounds, last_round), writes=(*sample.writes, last_write)))
        assert "Done by Ilse Mørk, Jo Ahlin" in text
        assert "Written back by Ilse Mørk" in text
        assert "Measured afterwards by Jo Ahlin" in text
        assert "received once more, not counted" in text


class TestWords:
    def test_an_instrument_without_a_certificate_number_claims_no_traceability(self) -> None:
        sample = sample_documents.certificate()
        unnumbered = replace(sample_parts.TAPE, calibration_reference="")
        text = rendered_text(replace(sample, instruments=(unnumbered,)))
        assert "No calibration certificate number is on record for Tape measure BM-2207" in text
        assert "due 2 Mar 2027, calibration certificate none on record." in text
        assert "Heights are traceable" not in text
        both = rendered_text(replace(sample, instruments=(sample_parts.TAPE, replace(unnumbered, serial="BM-9"))))
        assert "Heights are traceable" in both
        assert "on record for Tape measure BM-9:" in both

    @pytest.mark.parametrize("name", sample_extremes.ALL)
    def test_no_number_has_a_hyphen_for_its_sign_and_no_text_its_code(self, name: str) -> None:
        text = text_of(pdf_of(name))
        assert re.findall(r"(?<![\w-])-\d", text) == []
        assert re.findall(r"\d\d:\d\d:\d\d", text) == [], "minutes are enough"
        codes = {*texts.FINDINGS, *texts.EVENTS, *texts.REASONS, *texts.READINESS_ITEMS}
        assert [code for code in codes if "_" in code and code in text] == []

    def test_the_signature_on_the_front_is_of_who_completed_the_work_not_of_who_approved(self) -> None:
        sample = sample_documents.certificate()
        approval = doc.Signature(sample_parts.MANAGER, "manager", "approval", sample_parts.at(30), sample_parts.HASH)
        text = rendered_text(replace(sample, signatures=(approval, *sample.signatures)))
        assert "The work is complete: signed by Ilse Mørk" in text

    def test_times_west_of_greenwich_and_in_utc_name_their_zone(self) -> None:
        sample = sample_documents.certificate()
        for hours, zone in ((-5, "UTC−05:00"), (0, "UTC")):
            issued_at = sample.issued_at.astimezone(timezone(timedelta(hours=hours)))
            assert f"times in {zone} " in rendered_text(replace(sample, issued_at=issued_at)) + " "


class TestConclusions:
    def headline(self, verdict: doc.Verdict | None, **changes: Any) -> str:
        sample = sample_documents.certificate()
        assert sample.as_left is not None
        return conclude(replace(sample, as_left=replace(sample.as_left, verdict=verdict), **changes)).headline

    def test_within_after_a_write_is_called_adjusted(self) -> None:
        assert self.headline("within") == "Adjusted: all four corners within tolerance"

    def test_within_without_a_write_is_called_left_alone(self) -> None:
        assert self.headline("within", writes=()) == "Within tolerance and left alone"

    @pytest.mark.parametrize("verdict", ["undecided", "outside"])
    def test_a_side_that_cannot_be_adjusted_is_never_said_to_be_within(self, verdict: doc.Verdict) -> None:
        sample = sample_documents.certificate()
        assert sample.as_left is not None
        assert any("both side differences, measured" in each for each in conclude(sample).sentences)
        side = replace(sample.as_left.sides["rear"], verdict=verdict, adjustable=False)
        left = replace(sample.as_left, sides={**sample.as_left.sides, "rear": side}, verdict="within")
        told = conclude(replace(sample, as_left=left))
        assert told.headline == "Within tolerance wherever it can be adjusted"
        assert not any("lie within the tolerances" in each for each in told.sentences)
        named = "Not within tolerance and not adjustable here: difference between left and right, rear."
        assert named in told.sentences
        assert Concluded.of(replace(sample, as_left=left)).verdict == verdict, "beside the headline, in lists"

    def test_undecided_is_never_called_within(self) -> None:
        assert self.headline("undecided") == "The measurement cannot decide; signed off with approval"

    def test_outside_is_never_called_within(self) -> None:
        assert self.headline("outside") == "Outside tolerance"

    def test_within_a_concessions_targets_says_whose(self) -> None:
        concession = sample_documents.rear_only_with_concession().concession
        adjusted = self.headline("within", concession=concession)
        assert adjusted == "Adjusted: all four corners within tolerance of the concession's targets"
        untouched = self.headline("within", concession=concession, writes=())
        assert untouched == "Within tolerance of the concession's targets; no set-point changed"

    def test_without_a_specification_nothing_is_judged(self) -> None:
        assert self.headline(None, specification=None) == "Heights measured; not judged"
