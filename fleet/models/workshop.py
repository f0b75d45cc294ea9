"""The tenant, and the installation it lives in."""

from __future__ import annotations

import uuid
from typing import ClassVar

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.utils.translation import gettext_lazy as _

from ..ids import new_id


class Workshop(models.Model):
    """The tenant: everything else belongs to exactly one workshop."""

    private_fields: ClassVar[tuple[str, ...]] = ("email", "address", "telephone", "version")

    class LengthUnit(models.TextChoices):
        MILLIMETRE = "mm", _("millimetres")
        INCH = "inch", _("inches")

    class PageSize(models.TextChoices):
        A4 = "A4", _("A4")
        LETTER = "letter", _("Letter")

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    name = models.CharField(_("name"), max_length=120)
    address = models.TextField(_("address"), blank=True, max_length=400)
    email = models.EmailField(_("e-mail"), blank=True)
    telephone = models.CharField(_("telephone"), blank=True, max_length=40)
    time_zone = models.CharField(_("time zone"), max_length=64, default="UTC")
    language = models.CharField(_("language"), max_length=10, default="en")
    """Of certificates and e-mails; pages are in the reader's."""
    length_unit = models.CharField(_("length unit"), max_length=4, choices=LengthUnit, default=LengthUnit.MILLIMETRE)
    page_size = models.CharField(_("page size"), max_length=6, choices=PageSize, default=PageSize.A4)
    single_person = models.BooleanField(_("one-person workshop"), default=False)
    second_factor_required_for = ArrayField(
        models.CharField(max_length=20), verbose_name=_("second factor required for"), default=list, blank=True
    )
    """Roles of people who may do nothing in a browser before they have set one up."""
    is_demo = models.BooleanField(_("made by the demo loader"), default=False, editable=False)
    version = models.PositiveIntegerField(default=1, editable=False)
    created_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("name", "id")

    def __str__(self) -> str:
        return self.name


class Installation(models.Model):
    """One row: the server's epoch, which changes when the server is restored from a backup."""

    id = models.SmallIntegerField(primary_key=True, default=1, editable=False)
    epoch = models.UUIDField(default=uuid.uuid4, editable=False)
    epoch_began_at = models.DateTimeField(auto_now=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(id=1),
                name="fleet_installation_one_row",
                violation_error_message=_("There is one installation only."),
            )
        ]
