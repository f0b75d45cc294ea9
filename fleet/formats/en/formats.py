"""Formats of `django.utils.formats`: a day and a time of day look the same on every page and in every document."""

DATE_FORMAT = SHORT_DATE_FORMAT = "j M Y"
DATETIME_FORMAT = SHORT_DATETIME_FORMAT = "j M Y, H:i"
TIME_FORMAT = "H:i"
YEAR_MONTH_FORMAT = "F Y"
MONTH_DAY_FORMAT = "j F"
THOUSAND_SEPARATOR = "\u202f"
"""A narrow no-break space (ISO 80000-1): a comma or a point would be read as the decimal sign of another language."""
NUMBER_GROUPING = 3
