"""What the evidence says where something is missing, certain or not as usual."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from calibration.metrology.corners import Corner
from reports.certificate import document as doc
from reports.certificate.document import to_json
from reports.certificate.render import render

from . import sample_documents, sample_parts
from .rendering import rendered_text, text_of
from .sample_proof import sample_proof


def with_last_state(**changes: Any) -> doc.Document:
    sample = sample_documents.certificate()
    assert sample.as_left is not None
    return replace(sample, as_left=replace(sample.as_left, **changes))


def with_front_left(**changes: Any) -> doc.Document:
    """The certificate with another result of its last measurement at the front left."""
    sample = sample_documents.certificate()
    assert sample.as_left is not None
    return with_last_state(corners={**sample.as_left.corners, "FL": replace(sample.as_left.corners["FL"], **changes)})


class TestInstruments:
    def told(self, **changes: Any) -> str:
        instrument = replace(sample_parts.TAPE, accuracy_class=None, **changes)
        return rendered_text(replace(sample_documents.certificate(), instruments=(instrument,)))

    @pytest.mark.parametrize(("factor", "k"), [(2.1, "2.10"), (None, "2.00")])
    def test_one_with_a_certified_uncertainty_states_it_with_its_coverage_factor(
        self, factor: float | None, k: str
    ) -> None:
        text = self.told(certificate_expanded_uncertainty_mm=0.4, certificate_coverage_factor=factor)
        assert f"Tape measure BM-2207: certificate, U = 0.4 mm, k = {k}, resolution 1.0 mm" in text

    def test_one_of_unknown_accuracy_says_what_was_assumed(self) -> None:
        assert "Tape measure BM-2207: class III assumed, u doubled, resolution 1.0 mm" in self.told()

    def test_each_of_several_is_described_and_each_round_names_its_own(self) -> None:
        sample = sample_documents.certificate()
        other = replace(sample_parts.TAPE, serial="BM-9")
        text = rendered_text(replace(sample, instruments=(sample_parts.TAPE, other)))
        assert "Tape measure BM-9: accuracy class II" in text
        assert text.count("Ilse Mørk; BM-2207; as") == len(sample.rounds)
        assert "Ilse Mørk; BM-2207" not in rendered_text(sample), "a single one needs no name in every row"


class TestReadiness:
    def test_items_that_nobody_checked_name_nobody(self) -> None:
        undone = tuple(doc.ReadinessEntry(entry.item, "not_done") for entry in sample_parts.READINESS)
        sample = replace(sample_documents.certificate(), readiness=undone, instruments=())
        text = rendered_text(sample)
        assert "Readiness NOT CHECKED: Stored faults; Leak check;" in text
        assert "Checked by" not in text

    def test_without_instruments_and_checks_there_is_no_such_section(self) -> None:
        text = rendered_text(replace(sample_documents.certificate(), readiness=(), instruments=()))
        assert "Measuring instruments" not in text
        assert "Readiness" not in text


class TestUncertainty:
    @pytest.mark.parametrize(
        ("probability", "shown"), [(0.99951, "> 99.9 %"), (0.0001, "< 0.1 %"), (0.5, "50.0 %"), (None, "–")]
    )
    def test_no_probability_is_rounded_to_certainty(self, probability: float | None, shown: str) -> None:
        text = rendered_text(with_front_left(conformance_probability=probability))
        assert f"Front left 0.50 0.87 0.29 0.58 0.40 1.32 1.98 (147) 2.6 2 / 1 {shown} Front right" in text

    def test_what_nothing_could_judge_has_no_probability(self) -> None:
        sample = sample_documents.certificate()
        assert sample.as_left is not None
        corners = {c: replace(each, conformance_probability=None) for c, each in sample.as_left.corners.items()}
        assert "Probability of being within" not in rendered_text(with_last_state(corners=corners))

    def test_a_corner_that_was_not_measured_shows_dashes(self) -> None:
        sample = sample_documents.certificate()
        assert sample.as_left is not None
        without = {corner: each for corner, each in sample.as_left.corners.items() if corner != "RR"}
        assert "Rear right " + " ".join("–" * 10) in rendered_text(with_last_state(corners=without))

    def test_a_component_that_a_corner_has_not_shows_a_dash(self) -> None:
        told = rendered_text(with_front_left(budget=sample_parts.BUDGET[:-1]))
        assert "Front left 0.50 0.87 0.29 0.58 – 1.32" in told

    def test_unknown_degrees_of_freedom_are_infinite_and_a_median_is_named(self) -> None:
        text = rendered_text(with_front_left(degrees_of_freedom=None, estimator="median"))
        assert "1.98 (∞)" in text
        assert "2 / 1 median" in text

    def test_without_an_attitude_its_table_is_left_out(self) -> None:
        sample = sample_documents.left_alone()
        assert sample.as_left is not None
        state = replace(sample.as_left, modes=None)
        assert "Attitude of the body" in rendered_text(sample)
        assert "Attitude of the body" not in rendered_text(replace(sample, as_found=state, as_left=state))


class TestSpecification:
    def test_an_axle_that_nothing_controls_has_no_set_points(self) -> None:
        text = rendered_text(sample_documents.rear_only_with_concession())
        assert "Front 486.0 ± 6.0 mm. Rear 504.0 ± 6.0 mm, set-points 0x28 to 0xD7. Left" in text


class TestTheOtherSections:
    def test_leak_tests_name_their_correction_and_a_corner_without_a_rate(self) -> None:
        sample = sample_documents.findings_report()
        (test,) = sample.leak_tests
        rates: dict[Corner, doc.CornerLeakRate] = {
            corner: rate for corner, rate in test.corners.items() if corner != "FL"
        }
        text = rendered_text(replace(sample, leak_tests=(replace(test, corners=rates, temperature_corrected=True),)))
        assert "corrected for temperature 1.0 – +0.2 ± 0.4 within" in text

    def test_a_baseline_is_named_for_corners_that_were_written_only(self) -> None:
        sample = sample_documents.certificate()
        assert "Baseline" in rendered_text(sample)
        unknown = {corner: replace(each, baseline=None) for corner, each in sample.setpoints.items()}
        assert "Baseline" not in rendered_text(replace(sample, setpoints=unknown))

    def test_a_write_that_moved_nothing_lists_no_corner(self) -> None:
        sample = sample_documents.certificate()
        write = replace(sample.writes[0], corners={})
        assert "Ilse Mørk; computed proposal – verified" in rendered_text(replace(sample, writes=(write,)))

    def test_an_ending_without_a_hash_has_no_section_of_its_own(self) -> None:
        sample = sample_documents.findings_report()
        assert sample.ending is not None
        text = rendered_text(replace(sample, ending=replace(sample.ending, content_sha256="")))
        assert "The job was ended without completion by Ilse Mørk" in text
        assert "How the job ended" not in text

    def test_the_place_in_the_ledger_is_told_in_short_where_it_is_proven(self) -> None:
        sample = sample_documents.certificate()
        assert "ledger" not in rendered_text(sample)
        proof = sample_proof(to_json(sample))
        text = text_of(render(sample, proof=proof))
        assert f"Vehicle ledger, entry 213, hash {proof.entry['hash'][:16]}…, in the signed head over 5 entries" in text
        assert f"root {proof.checkpoint.splitlines()[2][:16]}…: in full" in text
