"""What was put right of an import is handed in again, and nothing that was said of it before has to be said again."""

from __future__ import annotations

import json
from typing import Any

import pytest

from calibration.models import HeightCheck
from fleet.ids import new_id
from reports.models import Import
from tests.factories import Person, Site
from tests.reports.imports import (
    begun,
    carry_out,
    check_row,
    codes,
    counts,
    csv_of,
    german_row,
    imported,
    ndjson_of,
    run_of,
    send,
    vehicle_rows,
    xlsx_of,
)
from tests.reports.test_import_errors import errors_of, put_right

SAID = {
    "time_zone": "Europe/Berlin",
    "time_of_day": "07:30",
    "day_order": "day_first",
    "loading": "as_specified",
}
COLUMNS = {"vin": "Wagen", "note": ""}
"""What nobody could know of the list: a heading of its own, and one that is not what it seems."""


def rows_of(vin: str) -> list[dict[str, Any]]:
    """The second is wrong."""
    rows = [{"Wagen": each, **german_row(each, f"0{day}/05/2024")} for each, day in ((vin, 3), ("X", 4))]
    for row in rows:
        del row["FIN"]
    return rows


def first_import(site: Site, content: bytes, **said: Any) -> dict[str, Any]:
    found = imported(site, content, columns=json.dumps(COLUMNS), **{**SAID, **said})
    assert (found["accepted"], found["rejected"]) == (1, 1), found["errors"]
    return found


@pytest.mark.parametrize("make", [csv_of, xlsx_of, ndjson_of], ids=["csv", "xlsx", "ndjson"])
def test_an_error_file_put_right_needs_nothing_but_the_import_it_came_from(site: Site, make: Any) -> None:
    vin = site.vehicle().vin
    found = first_import(site, make(rows_of(vin)))
    content = put_right(errors_of(site, found), ",", "vin", vin)

    refused = imported(site, content, loading="as_specified")
    assert counts(refused) == ("done", 1, 0, 0, 1), "without its settings nobody knows what the day is"
    again = imported(site, content, settings_of=found["id"])
    assert counts(again) == ("done", 1, 1, 0, 0), again["errors"]
    assert (again["time_zone"], again["assumptions"]) == (found["time_zone"], found["assumptions"])
    check = HeightCheck.objects.get(vehicle__vin=vin, taken_at__day=4)
    assert check.taken_at.isoformat() == "2024-05-04T05:30:00+00:00"
    assert check.note == ""


def test_so_does_the_list_itself_put_right(site: Site) -> None:
    vin = site.vehicle().vin
    rows = rows_of(vin)
    found = first_import(site, csv_of(rows))
    again = imported(site, csv_of([rows[0], {**rows[1], "Wagen": vin}]), settings_of=found["id"])
    assert counts(again) == ("done", 2, 2, 1, 0)
    assert again["columns"] == found["columns"]
    assert "note" not in again["columns"], "what was said to be nothing of ours stays so"


def test_headings_that_were_changed_round_stay_so_in_the_list_and_are_right_in_the_error_file(site: Site) -> None:
    vin = site.vehicle().vin
    rows = [check_row(vin), check_row("X", "2025-06-04T09:30Z")]
    round_ = {"FL_mm": "FR_mm", "FR_mm": "FL_mm"}
    found = imported(site, csv_of(rows), columns=json.dumps(round_))
    right = put_right(errors_of(site, found), ",", "vin", vin)
    for content in (csv_of([rows[0], {**rows[1], "vin": vin}]), right):
        again = imported(site, content, settings_of=found["id"])
        assert again["rejected"] == 0
        assert HeightCheck.objects.count() == 2, "the same heights at the same corners: known again"


def test_whatever_is_sent_holds_instead(site: Site) -> None:
    vin = site.vehicle().vin
    found = first_import(site, csv_of(rows_of(vin)), atomic="false")
    content = put_right(errors_of(site, found), ",", "vin", vin)
    said = {"time_zone": "UTC", "day_order": "month_first", "atomic": "true", "time_of_day": ""}
    run = run_of(begun(site, content, settings_of=found["id"], **said))
    assert (run.time_zone, run.atomic) == ("UTC", True)
    assert run.assumptions == {"day_order": "month_first", "loading": "as_specified"}
    carry_out(site)
    answer = site.manager.client().get(f"/api/v1/imports/{run.pk}/").json()
    assert codes(answer) == [(2, "taken_at", "time_of_day_missing")]


def test_sent_again_it_is_the_same_import(site: Site) -> None:
    vin = site.vehicle().vin
    found = first_import(site, csv_of(rows_of(vin)))
    fields = {"id": str(new_id()), "settings_of": found["id"]}
    content = put_right(errors_of(site, found), ",", "vin", vin)
    answers = [send(site.manager, content, **fields) for _ in range(2)]
    assert [each.status_code for each in answers] == [202, 200]
    assert Import.objects.count() == 2


def test_one_of_another_kind_or_nobodys_is_refused(site: Site, other_site: Site) -> None:
    (row,) = vehicle_rows(site, 1)
    key = begun(site, csv_of([row]), kind="vehicles")
    for named, code in ((key, "other_kind"), (str(new_id()), "no_such_import")):
        (error,) = refusal(site.manager, csv_of([check_row("X")]), named)
        assert (error["pointer"], error["code"]) == ("/settings_of", code)
    (error,) = refusal(other_site.manager, csv_of([check_row("X")]), key)
    assert error["code"] == "no_such_import"
    (error,) = refusal(site.manager, csv_of([check_row("X")]), "the last one")
    assert error["pointer"] == "/settings_of"


def refusal(person: Person, content: bytes, settings_of: str) -> list[dict[str, Any]]:
    answer = send(person, content, settings_of=settings_of)
    assert answer.status_code == 422, answer.content
    errors: list[dict[str, Any]] = answer.json()["errors"]
    return errors
