"""Files of past checks and vehicles as workshops have them, and imports carried out to their end."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from django.core.files.uploadedfile import SimpleUploadedFile
from openpyxl import Workbook

from fleet import outbox
from fleet.models import OutboxItem, Workshop
from fleet.tenancy import in_workshop
from reports.models import Import
from tests.factories import Person, Site, new_vin

IMPORTS: Final = "/api/v1/imports/"
Rows = Sequence[Mapping[str, Any]]


def check_row(vin: str, taken_at: Any = "2025-05-04T09:30:00+02:00", **changes: Any) -> dict[str, Any]:
    heights = {"FL_mm": 486.5, "FR_mm": 487, "RL_mm": 503.5, "RR_mm": 504}
    return {"vin": vin, "taken_at": taken_at, "odometer_km": 41250, "loading": "as_specified", **heights, **changes}


def german_row(vin: str, day: Any, **changes: Any) -> dict[str, Any]:
    """As a workshop's own list has it: nothing of loading, headings in German."""
    heights = {"Höhe VL (mm)": 486.5, "Höhe VR (mm)": 487, "Höhe HL (mm)": 503.5, "Höhe HR (mm)": 504}
    return {"FIN": vin, "Datum": day, "Kilometerstand": 41250, **heights, "Bemerkung": "Winterräder", **changes}


def csv_of(rows: Rows, delimiter: str = ",", *, comma: bool = False) -> bytes:
    def cell(value: Any) -> str:
        text = str(value)
        return text.replace(".", ",") if comma and isinstance(value, float) else text

    headings = list(rows[0])
    lines = [headings, *([cell(row[heading]) for heading in headings] for row in rows)]
    return "".join(f"{delimiter.join(line)}\r\n" for line in lines).encode()


def ndjson_of(rows: Rows) -> bytes:
    return "".join(f"{json.dumps(row)}\n" for row in rows).encode()


def xlsx_of(rows: Rows) -> bytes:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(list(rows[0]))
    for row in rows:
        sheet.append(list(row.values()))
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def send(person: Person, content: bytes, kind: str = "checks", name: str = "checks.csv", **fields: Any) -> Any:
    """Hand in a file over HTTP, as a program does."""
    body = {"file": SimpleUploadedFile(name, content), "kind": kind, **fields}
    return person.client().post(IMPORTS, body, format="multipart")


def begun(site: Site, content: bytes, **fields: Any) -> str:
    answer = send(site.manager, content, **fields)
    assert answer.status_code == 202, answer.json()
    return str(answer.json()["id"])


def due_items(site: Site) -> list[OutboxItem]:
    with in_workshop(site.workshop.pk):
        kinds = ["reports.import_go_on", "reports.import_evaluate"]
        return list(OutboxItem.objects.filter(kind__in=kinds, state="waiting").order_by("created_at", "id"))


def carry_out(site: Site) -> None:
    """As a worker does, until nothing of any import is left to do."""
    while items := due_items(site):
        for each in items:
            assert outbox.perform(site.workshop.pk, each.pk), OutboxItem.objects.get(pk=each.pk).error


def imported(site: Site, content: bytes, **fields: Any) -> dict[str, Any]:
    """What came of a file, as the interface tells it."""
    key = begun(site, content, **fields)
    carry_out(site)
    answer: dict[str, Any] = site.manager.client().get(f"{IMPORTS}{key}/").json()
    return answer


def set_zone(site: Site, name: str) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.filter(pk=site.workshop.pk).update(time_zone=name)


def run_of(key: str) -> Import:
    return Import.objects.get(pk=key)


def days(vin: str, count: int, **changes: Any) -> list[dict[str, Any]]:
    return [check_row(vin, f"2025-{1 + n // 28:02}-{1 + n % 28:02}T09:30:00+01:00", **changes) for n in range(count)]


def codes(found: dict[str, Any]) -> list[tuple[int, str, str]]:
    return [(each["line"], each["column"], each["code"]) for each in found["errors"]]


def counts(found: dict[str, Any]) -> tuple[str, int, int, int, int]:
    return found["state"], found["rows"], found["accepted"], found["known"], found["rejected"]


def vehicle_rows(site: Site, count: int = 2) -> list[dict[str, Any]]:
    known = site.vehicle()
    model = known.vehicle_model
    named = {"make": model.make, "model": model.name.upper(), "operator": known.operator.name, "model_year": 2024}
    return [{"vin": new_vin(), "registration": f"LB {number}", **named} for number in range(count)]
