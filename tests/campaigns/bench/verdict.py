"""What must hold when a schedule has come to rest: nothing lost, nothing twice, in order, and the tablet says so."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any, Final

from django.apps import apps
from playwright.sync_api import expect

from fleet.models import Installation, LedgerEntry, Receipt
from fleet.tenancy import in_workshop
from tests.campaigns.bench.tablet import Disk, TabletOnSchedule
from tests.campaigns.faults.audit import STEPS, step_of

Kept = Mapping[str, Mapping[str, Any]]
"""What the tablet ever kept, by id."""
TOLD_WITHIN_MS: Final = 10_000
SET_UP: Final = {"/vehicles/", "/fitments/"}
"""Made without the tablet."""


def problems(tablet: TabletOnSchedule) -> list[str]:
    """Everything that is wrong; empty: nothing."""
    disk = tablet.disk()
    with in_workshop(tablet.bay.site.workshop.pk):
        received = _received(tablet.kept)
        return [
            *_fates(tablet.kept, disk, received),
            *_order(tablet.kept, received),
            *_once(tablet.kept, received),
            *_what_is_told(tablet, disk),
            *(f"the page failed: {fault}" for fault in tablet.faults),
        ]


def is_at_rest(tablet: TabletOnSchedule, disk: Disk) -> bool:
    """Nothing waits, the tablet knows which server it is, and what the server has is no longer counted as open."""
    with in_workshop(tablet.bay.site.workshop.pk):
        is_open = Receipt.objects.filter(pk__in=[each["id"] for each in disk.records]).exists()
        return not disk.waiting and not is_open and disk.epoch == str(Installation.objects.get().epoch)


def _received(kept: Kept) -> list[str]:
    """What of it the server has carried out, in the order in which it did."""
    receipts = Receipt.objects.filter(pk__in=list(kept)).order_by("received_at")
    return [str(key) for key in receipts.values_list("pk", flat=True)]


def _fates(kept: Kept, disk: Disk, received: list[str]) -> Iterator[str]:
    at_server, here = set(received), {each["id"]: each for each in disk.records}
    for key, record in kept.items():
        name = f"{record['path']} {key}"
        if key in at_server and key in here:
            yield f"both: {name} is at the server and {here[key]['state']} on the tablet"
        if record["is_signature"]:
            continue  # One that covered something else is thrown away when the job is signed again.
        if key not in at_server and key not in here:
            yield f"lost: {name} is neither at the server nor on the tablet"
    for each in disk.sent:
        if each["id"] not in at_server:
            yield f"lost: {each['path']} {each['id']} counts as sent and is not at the server"
    for each in disk.waiting:
        yield f"held up: {each['path']} {each['id']} still waits"
    for each in disk.refused:
        yield f"not accepted: {each['path']} {each['id']}, {each['refusal']}"
    if disk.epoch != str(Installation.objects.get().epoch):
        yield "the tablet has not noticed that the server is another"


def _order(kept: Kept, received: list[str]) -> Iterator[str]:
    latest: dict[str, Mapping[str, Any]] = {}
    for key in received:
        record = kept[key]
        before = latest.get(record["vehicle"])
        if before and before["seq"] > record["seq"]:
            yield f"reordered: {record['path']} came after {before['path']}, which was kept later"
        latest[record["vehicle"]] = record


def _once(kept: Kept, received: list[str]) -> Iterator[str]:
    """Each kind of record has one row and one entry of the ledger for each id, and none besides."""
    entries = Counter(LedgerEntry.objects.exclude(vehicle=None).values_list("kind", flat=True))
    for step in STEPS:
        suffix, table, kind = step
        told = {key for key in received if step_of(kept[key]["path"]) == step}
        if suffix not in SET_UP and entries[kind] != len(told):
            yield f"doubled: {entries[kind]} entries of kind {kind} for {len(told)} records"
        if table.startswith("calibration."):
            rows = {str(key) for key in apps.get_model(table)._default_manager.values_list("pk", flat=True)}
            for key in rows ^ told:
                yield f"{table} {key} is {'kept, and no tablet made it' if key in rows else 'not kept'}"


def _what_is_told(tablet: TabletOnSchedule, disk: Disk) -> Iterator[str]:
    count = len(disk.waiting) + len(disk.refused)
    wanted = rf"\b{count} record" if count else "All records sent"
    top = tablet.page.locator(".bench-top")
    try:
        expect(top).to_contain_text(re.compile(wanted), timeout=TOLD_WITHIN_MS)
    except AssertionError:
        yield f"the tablet says “{top.inner_text()}” where {count} records wait or are in the tray"
    for job in tablet.bay.get("/jobs/", page_size=100)["results"]:
        found = {each["code"] for each in tablet.bay.get(f"/jobs/{job['id']}/")["findings"]}
        if "repeats_earlier_record" in found:
            yield "doubled: the service saw one record under two ids"
