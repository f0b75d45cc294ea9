"""Queries that are worded once: the rows are those of the same query worded anew, whatever is asked next."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from threading import Thread
from typing import Any

import pytest
from django.db import connection
from django.db.models import Q, QuerySet
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet import worded_once as module
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
    assert built == [1, 1, 2, 2]  # for two sets of stand-ins each


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


NIL = uuid.UUID(int=0)


def test_a_fixed_id_is_not_taken_for_one_that_was_given(site: Site) -> None:
    @worded_once
    def this_or_nobody(vehicle_id: uuid.UUID) -> QuerySet[Vehicle]:
        return Vehicle.objects.filter(Q(pk=NIL) | Q(operator=vehicle_id)).exclude(pk=NIL)

    with in_workshop(site.workshop.pk):
        vehicle = site.vehicle()
        assert this_or_nobody(vehicle.pk) == []
        assert [each.pk for each in this_or_nobody(vehicle.operator_id)] == [vehicle.pk]


def test_one_id_given_twice_and_ids_in_any_order_are_all_asked(site: Site) -> None:
    asked = worded_once(vehicles)
    one, other = (site.vehicle() for _each in range(2))
    with in_workshop(site.workshop.pk):
        assert [each.pk for each in asked((one.pk, one.pk), one.operator_id)] == [one.pk]
        for ids in ((one.pk, other.pk), (other.pk, one.pk)):
            assert {each.pk for each in asked(ids, None)} == {one.pk, other.pk}


def of_today(_vehicle_id: uuid.UUID) -> QuerySet[Vehicle]:
    return Vehicle.objects.filter(pk=_vehicle_id, created_at__lt=timezone.now())


def an_hour_before(when: datetime) -> QuerySet[Vehicle]:
    return Vehicle.objects.filter(Q(created_at__lt=when) | Q(created_at__gt=when - timedelta(hours=1)))


def the_first_of(ids: tuple[uuid.UUID, ...]) -> QuerySet[Vehicle]:
    return Vehicle.objects.filter(pk__in=ids).exclude(pk=min(ids))


@pytest.mark.parametrize(
    ("build", "given"),
    [
        (of_today, NIL),
        (an_hour_before, datetime.now(UTC)),
        (the_first_of, (NIL, uuid.UUID(int=1))),
    ],
)
def test_a_query_that_depends_on_more_is_refused(build: Callable[..., Any], given: Any) -> None:
    """Worded once, it would answer for the time or the ids of whoever asked first."""
    with pytest.raises(ValueError, match=build.__name__):
        worded_once(build)(given)


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="zone"):
        worded_once(an_hour_before)(datetime(2026, 5, 4))  # noqa: DTZ001


class Interrupted:
    """At the second comparison with another of its kind, another thread comes in between."""

    def __init__(self, come_in_between: Callable[[], object]) -> None:
        self.come_in_between, self.comparisons = come_in_between, 0

    def __hash__(self) -> int:
        return 1

    def __eq__(self, other: object) -> bool:
        self.comparisons += 1
        if self.comparisons == 2:
            self.come_in_between()
        return isinstance(other, Interrupted)


def test_one_that_makes_another_be_forgotten_does_not_disturb_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_SHAPES", 1)
    monkeypatch.setattr(module, "_worded", lambda _build, given: given)
    monkeypatch.setattr(module, "_answered", lambda wording, _values: wording)
    build: Callable[..., Any] = vehicles
    asked: Callable[..., Any] = worded_once(build)
    first, again = (Interrupted(lambda: asked("another")) for _twice in range(2))
    assert [asked(first), asked(again)] == [(first,), (first,)]
