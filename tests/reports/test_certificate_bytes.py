"""The same document gives the same bytes for ever; a snapshot survives storage; what is refused."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import pytest

from calibration.metrology.corners import CORNERS
from reports.certificate import document as doc
from reports.certificate.document import DocumentError, from_json, to_json
from reports.certificate.layout import PageSize
from reports.certificate.render import RENDERER_VERSION, RenderError, render

from . import sample_documents, sample_extremes
from .rendering import pdf_of


class TestBytes:
    @pytest.mark.parametrize(
        ("name", "page_size"), [*((name, "A4") for name in sample_extremes.ALL), ("certificate", "Letter")]
    )
    def test_the_same_document_gives_the_same_bytes(self, name: str, page_size: PageSize) -> None:
        assert render(sample_extremes.ALL[name](), page_size=page_size) == pdf_of(name, page_size)

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
    @pytest.mark.parametrize("make", sample_extremes.ALL.values(), ids=sample_extremes.ALL)
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
        with pytest.raises(DocumentError, match="schema_version is 99; this renderer reads 2"):
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
