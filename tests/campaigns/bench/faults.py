"""The app with a fault in its outbox, as the service then hands it out: the faults of the outbox's own tests."""

from __future__ import annotations

from pathlib import Path
from typing import Final

CHECKOUT: Final = Path(__file__).parents[3]
OUTBOX: Final = "bench/offline/outbox.js"
SHIPPED: Final = CHECKOUT / "calibration" / "static" / OUTBOX
FAULTY: Final = CHECKOUT / "tests" / "bench" / "faulty.mjs"
EXPORTED: Final = "export class Outbox {"
LIST_OF_FAULTS: Final = "\nexport const FAULTY = ["


def write_app_with(fault: str, folder: Path) -> None:
    """Put an outbox with this fault where it is found before the shipped one."""
    target = folder / OUTBOX
    target.parent.mkdir(parents=True)
    target.write_text(faulty_outbox(fault, SHIPPED.read_text(), FAULTY.read_text()))


def faulty_outbox(fault: str, shipped: str, faulty: str) -> str:
    """The shipped module, which exports the class with the fault in place of its own."""
    _require(shipped, EXPORTED)
    _require(faulty, LIST_OF_FAULTS)
    _require(faulty, f"\nclass {fault} extends ")
    classes = faulty.partition(LIST_OF_FAULTS)[0]
    without_imports = "\n".join(line for line in classes.splitlines() if not line.startswith("import "))
    own = shipped.replace(EXPORTED, EXPORTED.removeprefix("export "))
    return f"{own}\n{without_imports}\n\nexport {{ {fault} as Outbox }};\n"


def _require(text: str, part: str) -> None:
    if text.count(part) != 1:
        raise AssertionError(f"the text to change is no longer there once: {part.strip()!r}")
