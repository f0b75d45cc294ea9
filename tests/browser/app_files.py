"""The bench app's files as the service hands them out: read once, and bundled."""

from __future__ import annotations

from calibration.bench import assets


def forget_app_files() -> None:
    """Read them anew: whoever changes one of them would else be handed what was there before."""
    kept = [each for each in vars(assets).values() if hasattr(each, "cache_clear")]
    assert kept, "nothing is kept: this is no longer needed"
    for each in kept:
        each.cache_clear()
