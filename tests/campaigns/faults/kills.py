"""The kill campaign: tablets at work while every part of the service is killed at random moments.

    python -m tests.campaigns.faults.kills --seed 1 --kills 60 [--tablets 6] [--fault NAME]

starts the real service on a fresh data folder, kills (SIGKILL) its processes under load, lets it settle and then looks
whether every acknowledged record is there exactly once and no step was done by halves. `--fault` switches on one of
the faults of `seeded.py`, which the same checks must find: the command then fails.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import sys
import threading
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from deploy.embedded import postgres
from deploy.embedded.process import wait_until
from tests.campaigns.faults import seeded
from tests.campaigns.faults.journal import Journal
from tests.campaigns.faults.lookup import lost_to_the_interface
from tests.campaigns.faults.running import TARGETS, Kind, RunningService, running_service
from tests.campaigns.faults.tablets import Shop, Tablet, settle
from tests.simulator.http_api import Api

KINDS: Final[tuple[Kind, ...]] = tuple(TARGETS)
TABLETS: Final = 6
TARGET_PATIENCE_S: Final = 180.0
LOAD_PATIENCE_S: Final = 180.0
MOST_RECORDS_BETWEEN: Final = 12
TABLET_PATIENCE_S: Final = 180.0
WORK_PATIENCE_S: Final = 240.0
"""Above the lease of an item whose worker was killed, the sweep and a few repeats."""
SHOWN_PROBLEMS: Final = 20


@dataclass
class Outcome:
    """What a campaign did and found."""

    kills: Counter[Kind] = field(default_factory=Counter)
    acknowledged: Counter[Kind] = field(default_factory=Counter)
    """Records acknowledged between a kill of this kind and the next."""
    counts: dict[str, int] = field(default_factory=dict)
    answers: dict[str, int] = field(default_factory=dict)
    retries: int = 0
    repeated: int = 0
    """Records whose first answer was lost: acknowledged as known already."""
    jobs: int = 0
    killing_s: float = 0.0
    settling_s: float = 0.0
    longest_silence_s: float = 0.0
    problems: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """A table of kills, then what was measured and found."""
        width = max(map(len, KINDS))
        rows = [(kind, self.kills[kind], self.acknowledged[kind]) for kind in KINDS if self.kills[kind]]
        rows.append(("all", self.kills.total(), self.acknowledged.total()))
        return [
            f"{'killed':{width}}  kills  records acknowledged until the next kill",
            *(f"{kind:{width}}  {kills:5}  {records:5}" for kind, kills, records in rows),
            f"jobs: {self.jobs}; {self.counts}",
            f"answers: {self.answers}; retries: {self.retries}; acknowledged on a repeat: {self.repeated}",
            f"killing: {self.killing_s:.0f} s; settling: {self.settling_s:.0f} s; "
            f"longest time without a record: {self.longest_silence_s:.1f} s",
            f"{len(self.problems)} problems",
            *self.problems[:SHOWN_PROBLEMS],
        ]


def campaign(
    service: RunningService,
    shop: Shop,
    *,
    seed: int,
    kinds: Sequence[Kind],
    tablets: int = TABLETS,
    leases_run_out: bool = True,
) -> Outcome:
    """Kill one process of each kind in turn while the tablets work; then let all settle and look.

    Work of a killed worker is taken up again when its lease has run out, minutes later; a short campaign ends leases.
    """
    stop = threading.Event()
    crew = [Tablet(shop, seed * 1000 + number, stop) for number in range(tablets)]
    outcome = Outcome()
    began = time.monotonic()
    for tablet in crew:
        tablet.start()
    try:
        _kill(service, shop.journal, random.Random(seed), kinds, outcome)  # noqa: S311  (a campaign repeats)
    finally:
        outcome.killing_s = time.monotonic() - began
        outcome.settling_s = settle(crew, stop, shop.give_up, TABLET_PATIENCE_S)
    if not leases_run_out:
        _end_leases(service)
    outcome.settling_s += _wait_for_work(service)
    outcome.jobs = sum(tablet.jobs for tablet in crew)
    examine(service, shop, outcome, [shop.api(), *(tablet.api for tablet in crew)])
    return outcome


def new_shop(service: RunningService) -> Shop:
    """A workshop of its own on this service."""
    founded = service.new_workshop()
    return Shop(service.url, founded["workshop"], founded["token"], Journal(), threading.Event())


def examine(service: RunningService, shop: Shop, outcome: Outcome, apis: Sequence[Api]) -> None:
    """Compare what was acknowledged with the interface's answers, to some people at once, and with the tables."""
    journal = shop.journal
    outcome.answers, outcome.retries = dict(journal.answers), journal.retries
    outcome.repeated = sum(each.tries > 1 and each.status == 200 for each in journal.acknowledged)
    told = json.dumps(journal.as_json())
    audited = json.loads(service.python("-m", "tests.campaigns.faults.audit", shop.workshop, given=told))
    outcome.counts = audited["counts"]
    outcome.problems += [*journal.faults, *audited["problems"]]
    shop.give_up.clear()
    outcome.problems += lost_to_the_interface(journal.acknowledged, apis)


def _kill(
    service: RunningService, journal: Journal, chance: random.Random, kinds: Sequence[Kind], outcome: Outcome
) -> None:
    killed, known = "", 0
    for kind in kinds:
        silent_since = time.monotonic()
        if not journal.wait_for(chance.randint(1, MOST_RECORDS_BETWEEN), LOAD_PATIENCE_S):
            outcome.problems.append(f"no record was acknowledged for {LOAD_PATIENCE_S:.0f} s before a kill of {kind}")
        outcome.longest_silence_s = max(outcome.longest_silence_s, time.monotonic() - silent_since)
        came_back = wait_until(lambda: bool(service.pids(kind)), TARGET_PATIENCE_S)  # noqa: B023  (called at once)
        time.sleep(chance.uniform(0.0, 0.3))
        if killed:
            outcome.acknowledged[killed] += len(journal.acknowledged) - known
        killed, known = "", len(journal.acknowledged)
        # A connection's process may end by itself meanwhile: the next one is killed.
        if not came_back or not wait_until(lambda: _kill_one(service, kind, chance), TARGET_PATIENCE_S):  # noqa: B023
            outcome.problems.append(f"no {kind} came back within {TARGET_PATIENCE_S:.0f} s")
            continue
        killed = kind
        outcome.kills[kind] += 1
        sys.stderr.write(f"{time.strftime('%H:%M:%S')} {kind}, {len(journal.acknowledged)} records\n")
    journal.wait_for(MOST_RECORDS_BETWEEN, LOAD_PATIENCE_S)
    outcome.acknowledged[killed] += len(journal.acknowledged) - known


def _kill_one(service: RunningService, kind: Kind, chance: random.Random) -> bool:
    """Whether there was one."""
    pids = service.pids(kind)
    if not pids:
        return False
    try:
        os.kill(chance.choice(pids), signal.SIGKILL)
    except ProcessLookupError:
        return False
    if kind == "supervisor":
        assert service.process is not None
        service.process.wait()
        time.sleep(chance.uniform(0.0, 0.5))
        service.start()
    return True


def _end_leases(service: RunningService) -> None:
    with service.connect(postgres.ADMIN) as session:
        session.execute("UPDATE fleet_outboxitem SET leased_until = now() WHERE leased_until > now()")


def _wait_for_work(service: RunningService) -> float:
    """Wait until no background item waits any more; gives the time it took, s."""
    began = time.monotonic()

    def is_done() -> bool:
        with service.connect(postgres.ADMIN) as session:
            row = session.execute(
                "SELECT count(*) FROM fleet_outboxitem WHERE state = 'waiting' AND due_at <= now()"
            ).fetchone()
            return row == (0,)

    wait_until(is_done, WORK_PATIENCE_S)
    return time.monotonic() - began


def kinds_of(seed: int, kills: int) -> list[Kind]:
    """Every kind about equally often, in an order that the seed decides."""
    kinds = [KINDS[number % len(KINDS)] for number in range(kills)]
    random.Random(seed).shuffle(kinds)  # noqa: S311
    return kinds


def _options(arguments: Sequence[str]) -> Any:
    parser = argparse.ArgumentParser(prog="kills", description="Kill every part of the service under load.")
    parser.add_argument("--seed", type=int, default=1, help="what decides kinds and moments (default: %(default)s)")
    parser.add_argument("--kills", type=int, default=60, help="how many processes to kill (default: %(default)s)")
    parser.add_argument("--tablets", type=int, default=TABLETS, help="how many work at once (default: %(default)s)")
    parser.add_argument("--log", type=Path, help="where to keep what the service said")
    parser.add_argument("--fault", help="a fault of seeded.py that the campaign must find")
    return parser.parse_args(arguments)


def main(arguments: Sequence[str]) -> int:
    """Run one campaign; 0 when nothing was lost, doubled or done by halves."""
    options = _options(arguments)
    with running_service(seeded=bool(options.fault)) as service:
        fault = seeded.switch_on(service.data.root, options.fault) if options.fault else nullcontext()
        with fault:
            shop = new_shop(service)
            kinds = kinds_of(options.seed, options.kills)
            outcome = campaign(service, shop, seed=options.seed, kinds=kinds, tablets=options.tablets)
        sys.stdout.write("\n".join(outcome.lines()) + "\n")
        if options.log:
            shutil.copy(service.log, options.log)
    return 1 if outcome.problems else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
