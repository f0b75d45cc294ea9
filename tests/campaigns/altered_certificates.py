"""Is whatever is altered of a certificate's file found, by the script that works alone and by the service alike?

    python -m tests.campaigns.altered_certificates [--alterations 10000] [--random-seed 5]

Loads the demo into a database of its own and takes the files of all its certificates and findings reports. Each is
checked as it was issued, where anything found is a false alarm. Then one at a time is altered: bytes, revisions,
records, proofs, keys. Every 100th altered file is checked by the script as a process of its own, too. Ends with 1 where
an altered file was accepted, or script and service did not agree.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import django

if __name__ == "__main__":  # Whoever else imports it has set up its own.
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    django.setup()

from django.conf import settings
from django.db import connection
from django.utils import timezone

from deploy.embedded.folder import data_folder
from deploy.embedded.usage import running_database
from reports.demo.load import load_demo
from tests.campaigns.certificates.campaign import Campaign, Outcome
from tests.campaigns.certificates.real import accepted_by_service, issued_by
from tests.database import copied_database

SAY_EVERY = 500


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--alterations", type=int, default=10_000)
    parser.add_argument("--random-seed", type=int, default=5)
    options = parser.parse_args(arguments)
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    with running_database(data_folder()), copied_database(data_folder(), "certificates") as name:
        connection.settings_dict["NAME"] = name
        try:
            outcome = _of_demo(options.alterations, options.random_seed)
        finally:
            connection.close()
    return 0 if outcome.is_good else 1


def _of_demo(alterations: int, random_seed: int) -> Outcome:
    originals = issued_by(load_demo(timezone.now()).pk)
    sizes = sorted(len(each.pdf) for each in originals)
    _say(f"{len(originals)} files of {sizes[0]} to {sizes[-1]} bytes; seed {random_seed}")
    with tempfile.TemporaryDirectory() as folder:
        campaign, began = Campaign(originals, Path(folder), accepted_by_service), time.monotonic()
        for outcome in campaign.run(alterations, random_seed):
            done = outcome.altered.total()
            if done and done % SAY_EVERY == 0:
                _say(f"{done}: {len(outcome.accepted)} accepted, {len(outcome.disagreed)} disagreed")
    _say(_summary(campaign.outcome, time.monotonic() - began))
    return campaign.outcome


def _summary(outcome: Outcome, seconds: float) -> str:
    kinds = "\n".join(f"  {count:6d} {name}" for name, count in outcome.altered.most_common())
    bad = "\n".join([*outcome.accepted[:10], *outcome.disagreed[:10], *outcome.false_alarms[:10]])
    return (
        f"{outcome.altered.total()} alterations in {seconds:.0f} s: {len(outcome.accepted)} accepted, "
        f"{len(outcome.disagreed)} on which script and service disagreed; {len(outcome.false_alarms)} false alarms in "
        f"{outcome.untouched} checks of untouched files; {outcome.by_process} by a process of its own; slowest check "
        f"{outcome.slowest_s * 1000:.0f} ms; {outcome.led_to_nothing} led to nothing\n{kinds}\n{bad}"
    )


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
