"""The deployer looks at the work's rows within a chosen workshop and changes none.

Each request has a transaction of its own here: within one around the whole test, a workshop once entered would stay.
"""

from __future__ import annotations

import pytest
from django.apps import apps
from django.test import Client

from fleet.admin import site as admin_site
from fleet.ids import new_id
from fleet.models import User
from tests.calibration.api.http_bench import ONE_HIGH, HttpBench
from tests.factories import PASSWORD, make_site


@pytest.fixture
def bench(committed_db: None) -> HttpBench:
    return HttpBench.of(make_site())


def test_every_table_of_the_work_can_be_looked_at() -> None:
    assert set(apps.get_app_config("calibration").get_models()) <= set(admin_site._registry)


def test_rows_are_shown_within_a_chosen_workshop_and_cannot_be_added(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    bench.propose()
    client = Client()
    client.force_login(User.objects.create_superuser(f"deployer-{new_id()}@example.com", PASSWORD))
    tables = ["job", "round", "reading", "proposal", "repeatabilitysums"]

    hidden = [client.get(f"/admin/calibration/{table}/").content for table in tables]
    client.get(f"/admin/workshop/{bench.site.workshop.pk}/")
    shown = [client.get(f"/admin/calibration/{table}/").content for table in tables]

    assert [b'id="result_list"' in each for each in hidden] == [False] * len(tables)
    assert [b'id="result_list"' in each for each in shown] == [True] * len(tables)
    assert {client.get(f"/admin/calibration/{table}/add/").status_code for table in tables} == {403}
    assert client.get(f"/admin/calibration/job/{bench.job}/delete/").status_code == 403
