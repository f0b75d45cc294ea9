"""Names that a client may use, and the words for one that it may not: members of bodies, parameters of queries."""

from __future__ import annotations

from collections.abc import Collection
from difflib import get_close_matches
from typing import Final

from django.utils.translation import gettext as _

_LONGEST_SHOWN: Final = 60


def no_such_name(name: str, known: Collection[str]) -> str:
    """What to tell somebody who used a name that nothing here has."""
    shown = name[:_LONGEST_SHOWN]
    values = {"name": shown, "known": ", ".join(known)}
    if not known:
        return _("There is no '%(name)s' here; nothing is taken. Leave it out.") % values
    close = get_close_matches(shown, known, n=1)
    if not close:
        return _("There is no '%(name)s' here. Known: %(known)s.") % values
    return _("There is no '%(name)s' here. Did you mean '%(close)s'? Known: %(known)s.") % {**values, "close": close[0]}
