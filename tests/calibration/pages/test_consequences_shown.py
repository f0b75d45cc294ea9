"""What a change does to the vehicle, where somebody decides on it: in the reader's unit and language."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.utils.translation import override

from calibration.pages.shown import consequence_rows
from fleet.looks.lengths import LengthUnit
from fleet.models import Membership
from fleet.tenancy import in_workshop

from .conftest import Asked

STILL = dict.fromkeys(
    (
        "heave_change_mm",
        "pitch_change_mm",
        "roll_change_mm",
        "warp_change_mm",
        "ground_clearance_change_mm",
        "headlamp_inclination_change_pct",
    ),
    0.0,
)
UNKNOWN = dict.fromkeys(
    (
        "ground_clearance_mm",
        "headlamp_height_mm",
        "headlamp_inclination_pct",
        "static_stability_factor",
        "approach_deg",
        "departure_deg",
        "breakover_deg",
    )
)


def rows(unit: LengthUnit = "mm", **found: Any) -> list[tuple[str, str]]:
    return [(str(name), by) for name, by in consequence_rows({**STILL, **UNKNOWN, **found}, unit)]


class TestRows:
    def test_what_does_not_change_is_left_out(self) -> None:
        assert rows() == rows(ground_clearance_mm={"before": 190.01, "after": 190.04}) == []
        assert consequence_rows({}, "mm") == []

    def test_a_proposal_of_an_earlier_version_shows_what_it_has(self) -> None:
        kept = {"heave_change_mm": 2.0, "pitch_change_mm": 0.0, "roll_change_mm": 0.0, "warp_change_mm": 0.0}
        assert consequence_rows(kept, "mm") == [("The whole body up", "by 2.0 mm")]

    @pytest.mark.parametrize(("change", "word"), [(0.347, "0.35 % upwards"), (-0.347, "0.35 % downwards")])
    def test_beams_say_which_way_and_send_to_the_local_rules(self, change: float, word: str) -> None:
        assert rows(headlamp_inclination_change_pct=change) == [("Headlamp beams", f"{word}; check local rules")]

    def test_beams_of_a_known_inclination_say_from_where_to_where(self) -> None:
        known = {"before": -1.2, "after": -0.853}
        assert rows(headlamp_inclination_change_pct=0.347, headlamp_inclination_pct=known) == [
            ("Headlamp beams", "0.35 % upwards; check local rules (−1.20 → −0.85 %)")
        ]

    def test_figures_stand_in_the_readers_unit(self) -> None:
        found: dict[str, Any] = {
            "ground_clearance_mm": {"before": 190.0, "after": 195.0},
            "static_stability_factor": {"before": 1.1174, "after": 1.1096},
            "approach_deg": {"before": 18.2, "after": 19.04},
        }
        assert rows(**found) == [
            ("Ground clearance", "190.0 → 195.0 mm"),
            ("Static stability factor T/2h (lower: tips over sooner)", "1.117 → 1.110"),
            ("Approach angle, at least", "18.2 → 19.0°"),
        ]
        assert rows("inch", **found)[0] == ("Ground clearance", "7.48 → 7.68 in")
        with override("de"):
            assert rows(**found)[2] == ("Böschungswinkel vorn, mindestens", "18,2 → 19,0°")


class TestApprovalPage:
    def facts(self, manager: Client, asked: Asked) -> str:
        return str(manager.get(asked.approval_path).content.decode())

    def test_tells_what_the_driver_and_others_notice(self, manager: Client, asked: Asked) -> None:
        page = self.facts(manager, asked)
        for words in (
            "<dt>Front lower against the rear</dt><dd>by 0.5 mm</dd>",
            "<dt>Headlamp beams</dt><dd>0.02 % downwards; check local rules (−1.20 → −1.22 %)</dd>",
            "<dt>Static stability factor T/2h (lower: tips over sooner)</dt>",
            "Check the headlamp aim.",
        ):
            assert words in page, words
        assert "<dt>Ground clearance</dt>" not in page  # the specification does not give it

    def test_in_inches(self, manager: Client, asked: Asked) -> None:
        with in_workshop(asked.site.workshop.pk):
            Membership.objects.filter(pk=asked.site.manager.membership.pk).update(length_unit="inch")
        assert "<dt>Front lower against the rear</dt><dd>by 0.02 in</dd>" in self.facts(manager, asked)
