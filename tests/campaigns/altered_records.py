"""Does `verify_records` find whatever a superuser of the database alters, and name it?

    python -m tests.campaigns.altered_records [--alterations 10000] [--random-seed 5]

Fills a workshop through the services in a database of its own, then alters one thing at a time (rows, ledger
entries, leaves, heads, whole histories re-chained and signed anew), verifies the whole workshop as the service does,
and takes the alteration back. Every 25 alterations the untouched workshop is verified, where anything found is a false
alarm. Ends with 1 where an alteration was missed, or another record named than the altered one.
"""

from __future__ import annotations

import argparse
import os
import sys
import time

import django

if __name__ == "__main__":  # Whoever else imports it has set up its own.
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    django.setup()

from django.conf import settings
from django.db import connection

from deploy.embedded.folder import data_folder
from deploy.embedded.usage import running_database
from tests.campaigns.alterations.campaign import Outcome, run
from tests.campaigns.alterations.world import filled_workshop, superuser
from tests.database import copied_database

SAY_EVERY = 500


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--alterations", type=int, default=10_000)
    parser.add_argument("--random-seed", type=int, default=5)
    options = parser.parse_args(arguments)
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    with running_database(data_folder()), copied_database(data_folder(), "alterations") as name:
        connection.settings_dict["NAME"] = name
        with superuser():
            outcome = _campaign(options.alterations, options.random_seed)
        connection.close()
    return 1 if outcome.missed or outcome.misnamed or outcome.false_alarms else 0


def _campaign(alterations: int, random_seed: int) -> Outcome:
    world = filled_workshop()
    rows = sum(len(keys) for keys in world.rows.values())
    _say(
        f"{len(world.entries)} entries in {len(world.books())} books, {rows} rows of {len(world.rows)} tables, "
        f"{len(world.heads)} heads; seed {random_seed}"
    )
    outcome, began = Outcome(), time.monotonic()
    for outcome in run(world, alterations, random_seed):
        done = outcome.altered.total()
        if done and done % SAY_EVERY == 0:
            _say(f"{done}: {len(outcome.missed)} missed, {len(outcome.misnamed)} misnamed")
    _say(_summary(outcome, time.monotonic() - began))
    return outcome


def _summary(outcome: Outcome, seconds: float) -> str:
    kinds = "\n".join(f"  {count:6d} {name}" for name, count in outcome.altered.most_common())
    bad = "\n".join([*outcome.missed[:10], *outcome.misnamed[:10], *outcome.false_alarms[:10]])
    return (
        f"{outcome.altered.total()} alterations in {seconds:.0f} s: {outcome.found} found and named, "
        f"{len(outcome.missed)} missed, {len(outcome.misnamed)} misnamed; {len(outcome.false_alarms)} false alarms in "
        f"{outcome.untouched} verifications of the untouched workshop; {outcome.refused_by_constraints} refused by "
        f"constraints, {outcome.led_to_nothing} led to nothing\n{kinds}\n{bad}"
    )


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
