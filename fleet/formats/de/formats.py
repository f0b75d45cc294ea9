"""Formats of `django.utils.formats`: a day and a time of day look the same on every page and in every document."""

DATE_FORMAT = SHORT_DATE_FORMAT = "d.m.Y"
DATETIME_FORMAT = SHORT_DATETIME_FORMAT = "d.m.Y, H:i"
