"""What a comparison of tyres shows, in sentences."""

from __future__ import annotations

from django.utils.translation import gettext_lazy as _

from .notation import figure
from .tyre_comparison import LARGEST_MISMATCH_PCT, TyreNote

TYRE_NOTES = {
    "speed_reads_low": _(
        "A speedometer that is exact on the reference tyre shows %(shown)s km/h at a true %(true)s km/h. It must never "
        "show less than the truth (UN R39): have it checked, and set to the tyres where that can be done."
    ),
    "speed_reads_high": _(
        "A speedometer that is exact on the reference tyre shows %(shown)s km/h at a true %(true)s km/h; at most "
        "%(highest)s km/h is permitted (UN R39). Have it checked, and set to the tyres where that can be done."
    ),
    "tyres_differ_on_axle": _(
        "The two tyres of this axle differ by %(difference)s %% in rolling circumference. Fit two of the same size: "
        "more than %(most)s %% makes the differential turn on a straight road."
    ),
    "tyres_differ_between_axles": _(
        "Front and rear tyres differ by %(difference)s %% in rolling circumference. Where the axles are driven "
        "together, ask the maker of the vehicle whether it takes more than %(most)s %%."
    ),
    "arch_touched": _(
        "At this height the top of the tyre reaches the wheel arch. Do not drive: check size and height."
    ),
}


def tyre_note_text(note: TyreNote) -> str:
    values = note.values
    return str(TYRE_NOTES[note.code]) % {
        "shown": figure(f"{values.get('shown_km_h', 0):.1f}"),
        "true": figure(f"{values.get('true_km_h', 0):.0f}"),
        "highest": figure(f"{values.get('highest_km_h', 0):.0f}"),
        "difference": figure(f"{abs(values.get('difference_pct', 0)):.1f}"),
        "most": figure(f"{LARGEST_MISMATCH_PCT:.0f}"),
    }
