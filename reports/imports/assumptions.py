"""What a person says of a file that its cells do not: never guessed, kept with the import."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from django.utils.translation import gettext_lazy as _

TIME_OF_DAY: Final = "time_of_day"
DAY_ORDER: Final = "day_order"
LOADING: Final = "loading"
NOON: Final = "12:00"
DAY_FIRST: Final = "day_first"
MONTH_FIRST: Final = "month_first"
DAY_ORDERS: Final = {
    DAY_FIRST: _("the day first: 31/05/2024 is the 31st of May"),
    MONTH_FIRST: _("the month first: 05/31/2024 is the 31st of May"),
}
NAMES: Final = (TIME_OF_DAY, DAY_ORDER, LOADING)
ZONE_OF_DAYS: Final = "zone_of_days"
"""Said by nobody: where a time of day is assumed and no zone was named, the workshop's when the import was accepted."""
KEPT: Final = (*NAMES, ZONE_OF_DAYS)


def stated(values: Mapping[str, str]) -> dict[str, str]:
    """Those that hold something, as they are kept."""
    return {name: values[name] for name in KEPT if values.get(name)}
