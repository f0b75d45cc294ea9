"""A web server killed in the middle of storing a photo. Gives what it found wrong, in sentences."""

from __future__ import annotations

import hashlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import httpx
import numpy as np
from uuid_utils.compat import uuid7

from deploy.embedded.process import wait_until
from reports.demo.simulated_vehicle import CORNER_NAMES
from tests.campaigns.faults import seeded
from tests.campaigns.faults.interruptions import ANSWER_S, NUMBERS, PATIENCE_S, Bench, kill_family
from tests.campaigns.faults.tablets import moment, random_picture
from tests.plain_http import TRUSTING_NOBODY
from tests.simulator.http_api import BASE

UNFINISHED: Final = ".unfinished"
"""How a picture is called until it is whole."""


@dataclass
class Upload:
    """One photo of a new round, which may be sent again and again."""

    bench: Bench
    record: str = field(default_factory=lambda: str(uuid7()))
    measured: str = field(init=False)
    picture: bytes = field(init=False)
    before: set[Path] = field(init=False)

    def __post_init__(self) -> None:
        self.measured = _measured_round(self.bench)
        self.picture = random_picture(np.random.default_rng(next(NUMBERS)))
        self.before = self._files()

    def send(self) -> int:
        """The status of the answer; 0 for none."""
        try:
            return httpx.post(
                f"{self.bench.service.url}{BASE}/rounds/{self.measured}/photos/",
                data={"id": self.record},
                files={"file": ("tape.png", self.picture, "image/png")},
                headers=self.bench.headers,
                timeout=ANSWER_S,
                verify=TRUSTING_NOBODY,
            ).status_code
        except httpx.TransportError:
            return 0

    def written(self) -> set[Path]:
        """Files that came since."""
        return self._files() - self.before

    def is_half_stored(self) -> bool:
        """Whether the service holds one of the files that came since."""
        names = [seeded.held("storing", path.name.removesuffix(UNFINISHED)) for path in self.written()]
        return any((self.bench.service.data.root / name).exists() for name in names)

    def kept(self) -> list[tuple[str, str]]:
        """Path and hash of the photos of the round."""
        rows = self.bench.query("SELECT path, sha256 FROM calibration_photo WHERE round_id = %s", self.measured)
        return [(str(path), str(sha256)) for path, sha256 in rows]

    def mismatches(self) -> list[str]:
        """Every photo has its picture, and every picture is what its name says."""
        rows = [(self.bench.service.data.files / path, sha256) for path, sha256 in self.kept()]
        missing = [f"no picture at {path}" for path, _ in rows if not path.is_file()]
        other = [f"another picture at {path}" for path, sha256 in rows if path.is_file() and _sha256(path) != sha256]
        named = [path for path in self.written() if path.suffix != UNFINISHED]
        return [*missing, *other, *(f"half a picture at {path}" for path in named if _sha256(path) != path.name)]

    def _files(self) -> set[Path]:
        return {path for path in self.bench.service.data.files.rglob("*") if path.is_file()}


def web_killed_while_storing(bench: Bench) -> list[str]:
    """On a service with `slow_storing`: the web server is killed halfway through a picture; it is then sent again."""
    upload = Upload(bench)
    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(upload.send)
        assert wait_until(upload.is_half_stored, PATIENCE_S), "nothing was written"
        kill_family(bench.service, "web")
        problems = [f"the killed request was answered with {first.result()}"] if first.result() else []
    problems += upload.mismatches()
    wait_until(lambda: upload.send() in (200, 201), PATIENCE_S)
    problems += [] if len(upload.kept()) == 1 else [f"sent again, the photo is kept {len(upload.kept())} times"]
    return problems + upload.mismatches()


def _measured_round(bench: Bench) -> str:
    readings = [{"corner": corner, "height_mm": 490} for corner in CORNER_NAMES for _ in range(2)]
    body = {
        "taken_at": moment(),
        "instrument": bench.shop.http.technician().instrument,
        "settled": True,
        "setpoints": dict.fromkeys(CORNER_NAMES, 120),
        "readings": readings,
    }
    return str(bench.post(f"/jobs/{bench.open_job()}/rounds/", body)["id"])


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
