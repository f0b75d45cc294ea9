"""A small workshop with something of everything, and the superuser who is going to alter it."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from typing import Any

from django.db import connection, transaction

from deploy import database
from deploy.embedded.folder import data_folder
from deploy.embedded.postgres import APP
from fleet.actor import Actor
from fleet.models import Checkpoint, LedgerEntry, LedgerLeaf, OutboxItem
from fleet.services import checkpoint_make
from fleet.signed_heads import Head, verified
from fleet.tenancy import in_workshop
from fleet.verification import Verified, verify_workshop
from fleet.verification.rows import kept_models
from tests.factories import Site, make_site

EFFECTS = {"calibration.job_signed_off", "calibration.job_ended", "reports.certificate_issue"}
"""Background work that leaves records; the rest would only send e-mail."""


@dataclass(frozen=True)
class EntryKey:
    id: uuid.UUID
    book: uuid.UUID
    sequence: int


@dataclass
class World:
    """What there is to alter."""

    workshop_id: uuid.UUID
    rows: dict[type[Any], list[uuid.UUID]]
    entries: list[EntryKey]
    leaves: dict[uuid.UUID, int]
    heads: list[int]
    outside: list[Head]

    def books(self) -> dict[uuid.UUID, list[EntryKey]]:
        books: dict[uuid.UUID, list[EntryKey]] = {}
        for entry in self.entries:
            books.setdefault(entry.book, []).append(entry)
        return books

    def verify(self, outside: list[Head]) -> Verified:
        """As the application does it: bound by row-level security."""
        with transaction.atomic(), in_workshop(self.workshop_id), connection.cursor() as cursor:
            cursor.execute(f"SET LOCAL ROLE {APP}")
            result = verify_workshop(self.workshop_id, outside)
            cursor.execute("RESET ROLE")
        return result


@contextmanager
def superuser() -> Iterator[None]:
    """Have this process's database connection be a superuser's; nothing of what is done stays."""
    kept = {name: connection.settings_dict[name] for name in ("USER", "PASSWORD")}
    parameters = database.connection_parameters("admin", data_folder())
    connection.close()
    connection.settings_dict.update(USER=parameters["user"], PASSWORD=parameters["password"])
    try:
        with transaction.atomic():
            yield
            transaction.set_rollback(True)
    finally:
        connection.close()
        connection.settings_dict.update(kept)


def filled_workshop() -> World:
    """Made through the services, as the application's role; heads are signed all along."""
    with connection.cursor() as cursor:
        cursor.execute(f"SET LOCAL ROLE {APP}")
        site = _site()
        cursor.execute("RESET ROLE")
    return world_of(site.workshop.pk)


def world_of(workshop_id: uuid.UUID) -> World:
    with in_workshop(workshop_id), connection.cursor() as cursor:
        cursor.execute(f"SET LOCAL ROLE {APP}")
        heads = list(Checkpoint.objects.order_by("size"))
        world = World(
            workshop_id=workshop_id,
            rows={model: sorted(model._base_manager.values_list("pk", flat=True)) for model in kept_models()},
            entries=[EntryKey(*each) for each in LedgerEntry.objects.values_list("id", "book", "sequence")],
            leaves=dict(LedgerLeaf.objects.values_list("id", "leaf_index")),
            heads=[each.size for each in heads],
            outside=[_outside(each.note) for each in heads],
        )
        cursor.execute("RESET ROLE")
    world.rows = {model: keys for model, keys in world.rows.items() if keys}
    return world


def _outside(note: str) -> Head:
    from fleet.checkpoint_keys import known_keys

    return verified(note, known_keys())


def _site() -> Site:
    from calibration.services.height_checks import height_check_record
    from calibration.services.jobs import job_refile
    from fleet import services
    from fleet.ids import new_id
    from tests.reports.jobs import WITHIN, Bench, adjusted, ended

    site = make_site()
    _head(site, 0)
    mended, other, taken_for = site.vehicle(), site.vehicle(), site.vehicle()
    site.fitment(mended)
    site.bay()
    _head(site, 1)
    adjusted(site, vehicle=mended)
    _head(site, 2)
    ended(site, vehicle=other)
    _head(site, 3)
    bench = Bench.at(site, vehicle=site.vehicle())
    bench.receive()
    bench.check_readiness()
    bench.measure(WITHIN)
    with in_workshop(site.workshop.pk):
        job_refile(
            actor=site.manager.actor(bench.now),
            record_id=new_id(),
            job_id=bench.job_id,
            vehicle=taken_for,
            reason="mixed up",
        )
        readings = [{"corner": c, "height_mm": h} for c, h in zip(("FL", "FR", "RL", "RR"), WITHIN, strict=True)]
        height_check_record(
            actor=site.technician.actor(bench.now + timedelta(hours=2)),
            record_id=new_id(),
            vehicle=other,
            taken_at=bench.now + timedelta(hours=2),
            odometer_km=Decimal(90000),
            instrument=bench.instrument,
            loading="as_specified",
            readings=readings,
        )
        services.event_record(
            actor=site.technician.actor(bench.now + timedelta(hours=3)),
            record_id=new_id(),
            vehicle=other,
            kind="sensor_replaced",
            corner="RL",
            happened_at=bench.now + timedelta(hours=3),
            note="",
        )
    _perform(site)
    _head(site, 4)
    return site


def _head(site: Site, hours: int) -> None:
    with in_workshop(site.workshop.pk):
        checkpoint_make(actor=Actor.system(site.workshop.pk, site.began_at + timedelta(hours=hours, seconds=1)))


def _perform(site: Site) -> None:
    from fleet import outbox

    while True:
        with in_workshop(site.workshop.pk):
            item = OutboxItem.objects.filter(kind__in=EFFECTS, state="waiting").order_by("created_at", "id").first()
        if item is None:
            return
        if not outbox.perform(site.workshop.pk, item.pk):
            raise RuntimeError(f"{item.kind} was not performed")
