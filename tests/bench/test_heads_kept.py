"""Signed heads on a tablet before the real service: kept, offered, and told of where the records do not go with one."""

from __future__ import annotations

from datetime import UTC

from django.utils import timezone
from playwright.sync_api import expect

from fleet import services
from fleet.actor import Actor
from fleet.checkpoint_keys import origin_of, signing_key
from fleet.models import HeadConflict
from fleet.signed_heads import Head, signed
from fleet.tenancy import in_workshop
from tests.bench.bay import PATIENCE_MS, TabletInBay

KEPT = """async (key) => {
  const { Cupboard } = await import("/static/bench/app/cupboard.js");
  return new Cupboard("levelbook bench").get(key);
}"""
PAUSE_MS = 100
PUT = """async ([key, note]) => {
  const { Cupboard } = await import("/static/bench/app/cupboard.js");
  await new Cupboard("levelbook bench").set(key, [{ note, outcome: "consistent" }]);
}"""


def kept(tablet: TabletInBay, count: int) -> list[dict[str, str]]:
    """What the tablet holds, as soon as there are so many."""
    held: list[dict[str, str]] = []
    for _attempt in range(PATIENCE_MS // PAUSE_MS):
        held = tablet.page.evaluate(KEPT, f"heads:{tablet.bay.site.workshop.pk}") or []
        if len(held) == count:
            break
        tablet.page.wait_for_timeout(PAUSE_MS)
    return held


def test_a_tablet_keeps_the_newest_head_and_says_when_the_records_do_not_go_with_it(tablet: TabletInBay) -> None:
    workshop = tablet.bay.site.workshop.pk
    with in_workshop(workshop):
        head = services.checkpoint_make(actor=Actor.system(workshop, timezone.now()))
    assert head is not None
    tablet.open()
    tablet.page.reload()
    assert kept(tablet, 1) == [{"note": head.note, "outcome": "consistent"}]
    # As it would be where history was rewritten since: another root at the same size, signed by the same key.
    other = signed(Head(origin_of(workshop), head.size, b"r" * 32, timezone.now().astimezone(UTC), 0), signing_key())
    tablet.page.evaluate(PUT, [f"heads:{workshop}", other])
    tablet.page.reload()
    told = tablet.page.get_by_text("are not what they were when this tablet was told of them")
    expect(told).to_be_visible(timeout=PATIENCE_MS)
    with in_workshop(workshop):
        assert HeadConflict.objects.get().kind == "rewritten"
    assert [each["outcome"] for each in kept(tablet, 2)] == ["rewritten", "consistent"]
