"""The cautions that belong to each step: what can hurt somebody there, and how to keep clear of it.

They add to the vehicle manufacturer's procedure and to local regulations and never replace them. General
knowledge of work on air- and hydropneumatic suspension; the wording is the project's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django.utils.functional import _StrPromise


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution; `code` is stable, `text` is for people."""

    code: str
    text: _StrPromise


WHEEL_ARCH: Final = Caution(
    "wheel_arch",
    _(
        "The vehicle can drop or rise without warning. Keep head, hands and arms out of the gap between tyre and "
        "wheel arch while you measure; hold the tape from the side."
    ),
)
NOBODY_ABOARD: Final = Caution(
    "nobody_aboard",
    _("While you measure nobody sits in the vehicle, opens a door or leans on it: it may start to level itself."),
)
SECURED: Final = Caution("secured", _("Secure the vehicle against rolling before anybody works at it."))
NEVER_UNDER: Final = Caution(
    "never_under",
    _("Never go under a vehicle that only its suspension holds up. Put it on stands or a lift that is meant for it."),
)
VENTILATION: Final = Caution(
    "ventilation",
    _("A running engine needs ventilation: lead the exhaust outside, or hold the supply voltage instead."),
)
PRESSURE: Final = Caution(
    "pressure",
    _(
        "Lines, reservoir and springs are under pressure and can injure. Only qualified persons open them, after "
        "releasing the pressure as the manufacturer prescribes."
    ),
)
STAND_CLEAR: Final = Caution(
    "stand_clear",
    _("While set-points are written and while the vehicle settles everybody stands clear, and nobody is in the pit."),
)
PROCEDURE: Final = Caution(
    "procedure",
    _("Follow the manufacturer's procedure and local regulations. This work is for qualified persons only."),
)
ALTERED_HEIGHT: Final = Caution(
    "altered_height",
    _(
        "Heights other than the manufacturer's change handling, braking, stability against rolling over, headlamp aim, "
        "driver-assistance sensors, tyre wear and fuel use, and may breach local law."
    ),
)
NO_ROADWORTHINESS: Final = Caution(
    "no_roadworthiness",
    _(
        "Signing states what was measured and adjusted. It says nothing about roadworthiness; have follow-up work "
        "done before the vehicle is used."
    ),
)

UNCONFIRMED_HEIGHT: Final = Caution(
    "unconfirmed_height",
    _(
        "Set-points were changed, and no measurement confirmed the heights that they give. The vehicle may stand too "
        "high, too low or twisted: have it measured before it is used, and tell whoever drives it."
    ),
)

_MEASURING: Final = (WHEEL_ARCH, NOBODY_ABOARD, SECURED, VENTILATION)
_OF_STEP: Final[dict[str, tuple[Caution, ...]]] = {
    "check_readiness": (SECURED, NEVER_UNDER, VENTILATION, PRESSURE, PROCEDURE),
    "measure": _MEASURING,
    "read_again": _MEASURING,
    "propose": (PROCEDURE,),
    "get_approval": (PROCEDURE,),
    "write": (STAND_CLEAR, NEVER_UNDER, VENTILATION, PROCEDURE),
    "settle_and_measure": (STAND_CLEAR, *_MEASURING),
    "inspect": (NEVER_UNDER, SECURED, PRESSURE, PROCEDURE),
    "sign_off": (NO_ROADWORTHINESS,),
    "paused": (NEVER_UNDER, SECURED),
    "done": (NO_ROADWORTHINESS,),
}
WITHOUT_NETWORK: Final = ("measure", "write", "settle_and_measure")
"""Steps that a tablet comes to before it reads the job again."""
_WHERE_TARGETS_MATTER: Final = frozenset({"propose", "get_approval", "write", "sign_off", "done"})


def cautions_for(next_step: str, *, targets_differ: bool = False, unconfirmed: bool = False) -> tuple[Caution, ...]:
    """The cautions to show at a step.

    `targets_differ`: a concession is asked for or in force, so that the heights are not the specification's.
    `unconfirmed`: the job ended after a write, and no round showed since that all is within tolerance.
    """
    differing = (targets_differ or unconfirmed) and next_step in _WHERE_TARGETS_MATTER
    return (*_OF_STEP[next_step], *(ALTERED_HEIGHT,) * differing, *(UNCONFIRMED_HEIGHT,) * unconfirmed)
