"""Formats of `django.utils.formats`."""

DATE_FORMAT = "j F Y"
DATETIME_FORMAT = "j F Y, H:i"
TIME_FORMAT = "H:i"
SHORT_DATE_FORMAT = "j M Y"
SHORT_DATETIME_FORMAT = "j M Y, H:i"
YEAR_MONTH_FORMAT = "F Y"
MONTH_DAY_FORMAT = "j F"
