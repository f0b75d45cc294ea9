"""Queries that are worded once: the rows are those of the same query worded anew, whatever is asked next."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta
from threading import Thread

import pytest
from django.db import connection
from django.db.models import QuerySet
from django.test.utils import CaptureQueriesContext

from fleet.models import Membership, Vehicle
from fleet.tenancy import in_workshop
from fleet.worded_once import worded_once
from tests.factories import Site


def vehicles(ids: tuple[uuid.UUID, ...], operator_id: uuid.UUID | None) -> QuerySet[Vehicle]:
    found = Vehicle.objects.select_related("vehicle_model", "operator").filter(pk__in=ids).order_by("-id")
    return found if operator_id is None else found.filter(operator=operator_id)


def test_rows_are_those_of_the_query_worded_anew(site: Site) -> None:
    made = [site.vehicle().pk for _each in range(3)]
    asked = worded_once(vehicles)
    with in_workshop(site.workshop.pk):
        for ids in ((made[0],), (made[1],), tuple(made), (made[2], made[0], made[1]), ()):
            for operator in (None, uuid.uuid4()):
                assert asked(ids, operator) == list(vehicles(ids, operator))


def test_what_is_related_comes_with_the_rows(site: Site) -> None:
    asked = worded_once(vehicles)
    made = [site.vehicle().pk for _each in range(2)]
    with in_workshop(site.workshop.pk):
        for each in made:
            with CaptureQueriesContext(connection) as captured:
                (vehicle,) = asked((each,), None)
                assert vehicle.vehicle_model.pk == vehicle.vehicle_model_id
            assert (vehicle.pk, len(captured)) == (each, 1)


def test_values_come_as_the_query_gives_them(site: Site) -> None:
    @worded_once
    def names(member_id: uuid.UUID, before: datetime) -> QuerySet[Membership, tuple[str]]:
        return Membership.objects.filter(pk=member_id, created_at__lt=before).values_list("name")

    with in_workshop(site.workshop.pk):
        member = Membership.objects.first()
        assert member is not None
        assert names(member.pk, member.created_at) == []
        assert names(member.pk, member.created_at + timedelta(seconds=1)) == [(member.name,)]
        assert names(uuid.uuid4(), member.created_at + timedelta(seconds=1)) == []


def test_a_query_is_worded_once_for_each_shape(site: Site) -> None:
    built: list[int] = []

    @worded_once
    def counted(ids: tuple[uuid.UUID, ...]) -> QuerySet[Vehicle]:
        built.append(len(ids))
        return Vehicle.objects.filter(pk__in=ids)

    with in_workshop(site.workshop.pk):
        for length in (1, 2, 1, 2, 2):
            counted(tuple(uuid.uuid4() for _each in range(length)))
    assert built == [1, 2]


def test_each_workshop_sees_its_own(site: Site, other_site: Site) -> None:
    """Row-level security binds what was worded in another workshop."""
    asked = worded_once(vehicles)
    vehicle = site.vehicle().pk
    with in_workshop(site.workshop.pk):
        assert [each.pk for each in asked((vehicle,), None)] == [vehicle]
    with in_workshop(other_site.workshop.pk):
        assert asked((vehicle,), None) == []


def test_each_thread_asks_by_its_own_connection(site: Site) -> None:
    asked = worded_once(vehicles)
    vehicle = site.vehicle().pk
    seen: list[list[Vehicle]] = []

    def ask() -> None:
        with in_workshop(site.workshop.pk):
            seen.append(asked((vehicle,), None))
        connection.close()

    with in_workshop(site.workshop.pk):
        assert asked((vehicle,), None)
        thread = Thread(target=ask)
        thread.start()
        thread.join()
    # This test's transaction is not committed: another connection does not see its vehicle.
    assert seen == [[]]


def test_a_value_that_does_not_reach_the_query_is_refused() -> None:
    @worded_once
    def of_the_year(when: datetime) -> QuerySet[Vehicle]:
        return Vehicle.objects.filter(vin=str(when.year))

    with pytest.raises(ValueError, match="of_the_year"):
        of_the_year(datetime.now(UTC))
