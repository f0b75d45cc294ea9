"""What a proposal changes for the driver, on the tablet: the service's figures, on the screen to write by."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import expect

from reports.drawing.quantities import rounded
from tests.bench.bay import Bay, TabletInBay
from tests.bench.conftest import NewTablet
from tests.bench.technician import opened

LENGTHS = {"front_overhang_mm": 900, "rear_overhang_mm": 1020, "ground_clearance_mm": 190}
NONE_OF_THEM = dict.fromkeys(
    (*LENGTHS, "headlamp_height_mm", "headlamp_inclination_pct", "cg_height_mm", "reference_tyre")
)


def told(tablet: TabletInBay) -> list[str]:
    section = tablet.page.locator("section").filter(has_text=tablet.says("What it changes for the driver"))
    expect(section).to_be_visible()
    return [" ".join(each.split()) for each in section.locator("li").all_inner_texts()]


def with_lengths(bay: Bay, lengths: dict[str, Any]) -> None:
    bay.vehicle_model = bay.site.specification(**lengths).vehicle_model
    bay.drive_in(bay.random_seed)


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_figure_that_changes_is_told(bay: Bay, new_tablet: NewTablet, language: str) -> None:
    with_lengths(bay, LENGTHS)
    tablet = new_tablet(language=language)
    job_id, _technician = opened(tablet, "What to write")
    found = bay.get(f"/jobs/{job_id}/")["proposal"]["consequences"]
    lines = told(tablet)

    def figure(value: float, digits: int) -> str:
        text = rounded(value, digits)
        return text.replace(".", ",") if language == "de" else text

    change, beam = found["headlamp_inclination_change_pct"], found["headlamp_inclination_pct"]
    way = "upwards" if change > 0 else "downwards"
    beams = tablet.says(f"The headlamp beams turn {way} by %(percent)s: check local rules.")
    percent = f"{figure(abs(change), 2)} % ({figure(beam['before'], 2)} → {figure(beam['after'], 2)} %)"
    assert beams.replace("%(percent)s", percent) in lines
    for name, member, digits, sign in (
        ("Ground clearance", "ground_clearance_mm", 1, " mm"),
        ("Approach angle, at least", "approach_deg", 1, "°"),
        ("Departure angle, at least", "departure_deg", 1, "°"),
    ):
        before, after = (figure(found[member][when], digits) for when in ("before", "after"))
        line = f"{tablet.says(name)}: {before} → {after}{sign}"
        assert (line in lines) == (before != after), (line, lines)
    tablet.page.set_viewport_size({"width": 390, "height": 844})
    assert tablet.page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_without_lengths_the_rest_is_told(bay: Bay, new_tablet: NewTablet) -> None:
    with_lengths(bay, NONE_OF_THEM)
    tablet = new_tablet()
    opened(tablet, "What to write")
    lines = told(tablet)
    assert any(line.startswith("The headlamp beams turn") and line.endswith("check local rules.") for line in lines)
    assert not any("→" in line for line in lines)
