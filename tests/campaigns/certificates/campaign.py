"""Alter a file, and have it judged: as often as wanted, by the script and by the service."""

from __future__ import annotations

import random
import subprocess
import sys
import time
import types
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from deploy import verify_certificate

from .byte_kinds import Altered, Kind
from .kinds import KINDS
from .miniature import Original

SCRIPT: Final = Path(verify_certificate.__file__)
UNTOUCHED_EVERY: Final = 100
BY_PROCESS_EVERY: Final = 100
Judge = Callable[[bytes, Sequence[str]], bool]
"""Whether a file is accepted, by whoever knows these verifier keys."""


def by_script(pdf: bytes, keys: Sequence[str], script: Any = verify_certificate) -> bool:
    """By the script's own function, in this process. Nothing may be beyond what it foresees."""
    try:
        report = script.check(pdf, keys)
        said = [each.said for each in report.results]
        is_accepted = bool(report.holds)
    except script.Unreadable as unreadable:
        said, is_accepted = [str(unreadable)], False
    if any(map(is_unforeseen, said)):
        raise AssertionError(said)
    return is_accepted


def is_unforeseen(said: str) -> bool:
    return verify_certificate.UNFORESEEN[1:] in said


def status_of_process(pdf: bytes, keys: Sequence[str], folder: Path, script: Path = SCRIPT) -> int:
    """By the script as anybody runs it, with nothing of the project to be imported."""
    file = folder / "certificate.pdf"
    file.write_bytes(pdf)
    given = [part for key in keys for part in ("--key", key)]
    done = subprocess.run(
        [sys.executable, "-I", str(script), str(file), *given], cwd=folder, capture_output=True, check=False
    )
    if done.stderr:
        raise AssertionError(done.stderr.decode())
    return done.returncode


def without_check(name: str) -> types.ModuleType:
    """A copy of the script in which one of its checks is taken out."""
    source = SCRIPT.read_text()
    head, marker, listed = source.partition("CHECKS: Final[tuple[Check, ...]] = (\n")
    assert f"    {name},\n" in listed
    copy = types.ModuleType(f"without_{name}")
    sys.modules[copy.__name__] = copy  # dataclasses look their module up
    exec(compile(head + marker + listed.replace(f"    {name},\n", "", 1), str(SCRIPT), "exec"), copy.__dict__)  # noqa: S102
    return copy


@dataclass
class Outcome:
    """What came of a campaign."""

    altered: Counter[str] = field(default_factory=Counter)
    accepted: list[str] = field(default_factory=list)
    disagreed: list[str] = field(default_factory=list)
    false_alarms: list[str] = field(default_factory=list)
    untouched: int = 0
    by_process: int = 0
    led_to_nothing: int = 0
    slowest_s: float = 0.0

    @property
    def is_good(self) -> bool:
        return not (self.accepted or self.disagreed or self.false_alarms)


@dataclass
class Campaign:
    """`service` is the service's own check, where there is one."""

    originals: Sequence[Original]
    folder: Path
    service: Judge | None = None
    script: Judge = by_script
    outcome: Outcome = field(default_factory=Outcome)

    def run(self, alterations: int, random_seed: int) -> Iterator[Outcome]:
        """Every original untouched, then so many alterations; gives the outcome so far after each."""
        rng = random.Random(random_seed)  # noqa: S311  (choices of tests)
        kinds, weights = [each.kind for each in KINDS], [each.weight for each in KINDS]
        for original in self.originals:
            self.judge_untouched(original)
        while (done := self.outcome.altered.total()) < alterations:
            original = rng.choice(self.originals)
            self.alter(original, rng.choices(kinds, weights)[0], rng)
            if done % UNTOUCHED_EVERY == 0:
                self.judge_untouched(original)
            yield self.outcome

    def judge_untouched(self, original: Original) -> None:
        self.outcome.untouched += 1
        keys = [original.insider.verifier_key]
        accepted = [self.script(original.pdf, given) for given in ([], keys)]
        if self.service is not None:
            accepted.append(self.service(original.pdf, keys))
        accepted.append(status_of_process(original.pdf, keys, self.folder) == 0)
        if not all(accepted):
            self.outcome.false_alarms.append(f"original of {len(original.pdf)} bytes: {accepted}")

    def alter(self, original: Original, kind: Kind, rng: random.Random) -> None:
        altered = kind(original, rng)
        if altered is None:
            self.outcome.led_to_nothing += 1
            return
        self._judge(original, kind.__name__, altered)

    def _judge(self, original: Original, name: str, altered: Altered) -> None:
        outcome, keys = self.outcome, [original.insider.verifier_key]
        outcome.altered[name] += 1
        began = time.monotonic()
        is_accepted = self.script(altered.pdf, keys if altered.by_key_only else [])
        outcome.slowest_s = max(outcome.slowest_s, time.monotonic() - began)
        if is_accepted:
            outcome.accepted.append(f"{name} ({len(altered.pdf)} bytes)")
        if self.service is not None and self.service(altered.pdf, keys) != is_accepted:
            outcome.disagreed.append(f"{name}: the service")
        if outcome.altered.total() % BY_PROCESS_EVERY == 0:
            outcome.by_process += 1
            status = status_of_process(altered.pdf, keys, self.folder)
            if (status == 0) != is_accepted or status not in (0, 1, 2):
                outcome.disagreed.append(f"{name}: the script as a process ended with {status}")
