"""What is done to archives before an empty workshop is asked to take them in."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fleet.models import LedgerEntry, Membership
from fleet.tenancy import in_workshop
from reports.selectors.archives import what_is_there
from tests.factories import Site
from tests.reports.workshops import Busy, Members, members_of, rewritten

Change = Callable[[Members], None]


def in_table(name: str, before: bytes, after: bytes) -> Change:
    def change(members: Members) -> None:
        assert before in members[f"tables/{name}.csv"], "the test changes nothing"
        members[f"tables/{name}.csv"] = members[f"tables/{name}.csv"].replace(before, after, 1)

    return change


def in_member(name: str, before: bytes, after: bytes) -> Change:
    def change(members: Members) -> None:
        assert before in members[name], "the test changes nothing"
        members[name] = members[name].replace(before, after, 1)

    return change


def without_last_row(name: str) -> Change:
    def change(members: Members) -> None:
        lines = members[f"tables/{name}.csv"].splitlines(keepends=True)
        members[f"tables/{name}.csv"] = b"".join(lines[:-1])
        told = json.loads(members["manifest.json"])
        told["counts"][name] -= 1
        members["manifest.json"] = json.dumps(told).encode()

    return change


def without_last_line(name: str) -> Change:
    def change(members: Members) -> None:
        members[name] = b"".join(members[name].splitlines(keepends=True)[:-1])

    return change


def changed(busy: Busy, tmp_path: Path, change: Change, **options: Any) -> Path:
    members = members_of(busy.file)
    change(members)
    return rewritten(members, tmp_path / "changed.zip", **options)


def of_a_certificate(members: Members) -> str:
    return next(name for name in members if name.startswith("certificates/"))


def other_pdf(members: Members) -> None:
    members[of_a_certificate(members)] += b"%"


def one_leaf_other(members: Members) -> None:
    *lines, last = members["ledger/leaves.csv"].splitlines(keepends=True)
    index, entry, _hash = last.split(b",")
    members["ledger/leaves.csv"] = b"".join([*lines, b",".join([index, entry, b"0" * 64 + b"\r\n"])])


def nothing_was_taken_in(site: Site) -> bool:
    with in_workshop(site.workshop.pk):
        return not what_is_there() and Membership.objects.count() == 1 and not _replayed()


def _replayed() -> bool:
    return any("taken_in" in each.payload for each in LedgerEntry.objects.all())
