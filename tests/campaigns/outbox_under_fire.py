"""Does every effect of background work happen once, whatever is lost, killed or down?

    python -m tests.campaigns.outbox_under_fire [--jobs 12] [--invited 40] [--told 60] [--down-days 2] [--by-chance]

In a database of its own a workshop has much to be told of: certificates, e-mails, webhooks' messages, and a poison row
of each kind. No hint ever reaches a worker. Each item's worker is killed (SIGKILL) once at each stage, or by chance;
another worker takes each item while the first is in the middle of it; a real mail server and a real receiver are away
for simulated days; one row kills whoever takes it. Then each effect is counted. Ends with 1 where one is lost, came
more often than workers were lost after sending it, came under another id, or is not parked where somebody sees it.
`--fault NAME` switches on one of the faults of `outbox_fire/seeded.py`, which has to be found.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from unittest.mock import patch
from uuid import UUID

import django

if __name__ == "__main__":  # Whoever else imports it has set up its own.
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    django.setup()

from django.conf import settings
from django.db import connection

from deploy.embedded.folder import data_folder
from deploy.embedded.usage import running_database
from fleet import outbox
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from tests.campaigns.outbox_fire.driver import Fire
from tests.campaigns.outbox_fire.seeded import FAULTS
from tests.campaigns.outbox_fire.verdict import Verdict, verdict_on
from tests.campaigns.outbox_fire.world import World, filled_world, nursery
from tests.database import copied_database

HORIZON = timedelta(days=12)


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=12)
    parser.add_argument("--invited", type=int, default=40)
    parser.add_argument("--told", type=int, default=60)
    parser.add_argument("--down-days", type=float, default=2.0)
    parser.add_argument("--by-chance", action="store_true", help="kill by chance, not once at each stage")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fault", choices=sorted(FAULTS), default="")
    options = parser.parse_args(arguments)
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    down = timedelta(days=options.down_days)
    with running_database(data_folder()), copied_database(data_folder(), "fire") as name, no_hints():
        connection.settings_dict["NAME"] = name
        sizes = {"jobs_closed": options.jobs, "invited": options.invited, "told": options.told}
        with tempfile.TemporaryDirectory() as folder, filled_world(**sizes, down=down, poisoned=True) as world:
            fire, verdict = burned(
                world, Path(folder), fault=options.fault, every_stage=not options.by_chance, seed=options.seed
            )
            sys.stdout.write("\n".join(verdict.lines(fire)) + "\n")
        connection.close()
    return 1 if verdict.problems else 0


def burned(
    world: World, folder: Path, *, fault: str = "", every_stage: bool = True, seed: int = 1, victim: str = ""
) -> tuple[Fire, Verdict]:
    """Set it on fire and look at what is left. The first item of the kind `victim` kills every worker."""
    with nursery(world, folder / "nursery.log") as made:
        fire = Fire(world, made, folder / "journal", fault=fault, every_stage=every_stage, seed=seed)
        fire.victim = _first(world, victim or "fleet.invitation_email")
        fire.burn(HORIZON)
    return fire, verdict_on(fire)


def _first(world: World, kind: str) -> UUID | None:
    with in_workshop(world.workshop_id):
        items = OutboxItem.objects.filter(kind=kind).exclude(pk__in=world.poison)
        return items.order_by("created_at", "id").values_list("pk", flat=True).last()


@contextmanager
def no_hints() -> Iterator[None]:
    """As with a broker that is flushed again and again."""
    with patch.object(outbox, "hint", lambda _workshop, _item: None):
        yield


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
