"""What leak tests show, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.looks.corners import corner_name

from .leaks import hours_shown
from .notation import shown

if TYPE_CHECKING:
    from ..metrology.corners import Corner
    from .leaks import Leak

FINDINGS = {
    "leak_outside": gettext_lazy(
        "%(place)s sinks by %(rate_mm_per_h)s ± %(expanded_uncertainty_mm_per_h)s mm per hour, faster than the "
        "%(limit_mm_per_h)s mm per hour that the specification allows. Have the leak repaired first; a leak test after "
        "that must pass before anything is proposed."
    ),
    "leak_undecided": gettext_lazy(
        "%(place)s sinks by %(rate_mm_per_h)s ± %(expanded_uncertainty_mm_per_h)s mm per hour: whether that is more "
        "than the %(limit_mm_per_h)s mm per hour allowed is not decided, and the test is not passed. A test of about "
        "%(hours_to_decide)s hours would decide."
    ),
    "leak_corner_rose": gettext_lazy(
        "%(place)s rose while the vehicle stood. Levelling may have woken, which hides a leak, or a load was taken "
        "off. Test again with levelling asleep."
    ),
    "leak_test_disturbed": gettext_lazy(
        "Something was written or measured while the vehicle stood for its leak test. Levelling was awake then, which "
        "hides a leak: the test passes nothing. Test again and leave the vehicle alone meanwhile."
    ),
}
VARIANTS = {
    ("leak_undecided", "at_the_limit"): gettext_lazy(
        "%(place)s sinks by %(rate_mm_per_h)s ± %(expanded_uncertainty_mm_per_h)s mm per hour, just what is allowed "
        "(%(limit_mm_per_h)s mm per hour): no length of test decides that."
    ),
}
REASONS = {
    "leak_outside": gettext_lazy("The vehicle sinks faster than it may."),
    "leak_not_retested": gettext_lazy("A leak was mended, but no test since shows that it holds."),
    "leak_retest_undecided": gettext_lazy("The leak test after the repair did not pass."),
}
INSPECTIONS = {
    "leak_outside": gettext_lazy(
        "Stop adjusting and find the leak. Record the repair with its corner and test again; where the test itself was "
        "wrong, a manager rules so and it is tested again; or go back, or end the job."
    ),
    "leak_not_retested": gettext_lazy(
        "Leave the vehicle standing with levelling asleep and record another leak test; or go back, or end the job."
    ),
    "leak_retest_undecided": gettext_lazy(
        "Test again for longer, with levelling asleep; record what else was mended; or go back, or end the job."
    ),
}


def leak_sentences(leaks: Mapping[Corner, Leak]) -> list[str]:
    """Corner by corner what was found, and what the test after the repair lacked."""
    return [sentence for leak in leaks.values() for sentence in _sentences(leak)]


def _sentences(leak: Leak) -> list[str]:
    found = leak.retest or leak.found
    values = shown(
        {
            "corner": corner_name(leak.corner),
            "rate": round(found.rate_mm_per_h, 2),
            "uncertainty": round(found.expanded_uncertainty_mm_per_h, 2),
            "hours": hours_shown(found),
        }
    )
    sank = [_("%(corner)s sank by %(rate)s ± %(uncertainty)s mm per hour.") % values]
    if found.hours_to_decide is None:
        return sank
    return [*sank, _("A test of about %(hours)s hours would decide.") % values]
