"""How people and tablets came in: sessions of browsers, enrolled tablets, and what happened at the door."""

from __future__ import annotations

from django.db import models
from django.utils.translation import gettext_lazy as _

from ..ids import new_id
from .base import RecordModel, TenantModel, VersionedModel
from .people import Membership


class BrowserSession(TenantModel):
    """A browser's session bound to one membership. The browser's own session holds the secret, this its hash."""

    kept_by_ledger = False
    private_fields = ("digest", "last_used_at")

    membership = models.ForeignKey(Membership, on_delete=models.PROTECT, db_constraint=False, related_name="sessions")
    digest = models.BinaryField(max_length=32, unique=True, editable=False)
    created_at = models.DateTimeField(editable=False)
    expires_at = models.DateTimeField(editable=False)
    ended_at = models.DateTimeField(null=True, editable=False)
    last_used_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ("-created_at", "id")


class CalendarFeed(TenantModel):
    """The secret address at which a calendar program reads what is due for one member: the address has the secret,
    this its hash. It is removed when the person withdraws it, and with the membership.
    """

    kept_by_ledger = False
    private_fields = ("digest", "last_read_at")

    membership = models.OneToOneField(
        Membership, on_delete=models.PROTECT, db_constraint=False, related_name="calendar_feed"
    )
    digest = models.BinaryField(max_length=32, unique=True, editable=False)
    made_at = models.DateTimeField(editable=False)
    last_read_at = models.DateTimeField(null=True, editable=False)


class Tablet(VersionedModel):
    """A named device in the workshop, which several people share; revoked, it wipes itself at its next contact."""

    private_fields = ("last_seen_at", "pin_failures", "pin_locked_until", "version")

    name = models.CharField(_("name"), max_length=80)
    enrolled_by = models.ForeignKey(
        Membership, on_delete=models.PROTECT, db_constraint=False, related_name="enrolled_tablets"
    )
    enrolled_at = models.DateTimeField(editable=False)
    last_seen_at = models.DateTimeField(editable=False)
    revoked_at = models.DateTimeField(null=True, editable=False)
    pin_failures = models.PositiveSmallIntegerField(default=0, editable=False)
    """Wrong PINs in a row, whoever was picked."""
    pin_locked_until = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ("-enrolled_at", "id")
        indexes = [models.Index(fields=["workshop", "-enrolled_at", "id"], name="fleet_tablet_order")]

    def __str__(self) -> str:
        return self.name


class EnrolmentCode(TenantModel):
    """A one-time code, typed or scanned on a device, which makes it a tablet of the workshop."""

    private_fields = ("digest",)
    not_yet_kept_while = {"tablet_id": None}

    made_by = models.ForeignKey(Membership, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    digest = models.BinaryField(max_length=32, unique=True, editable=False)
    created_at = models.DateTimeField(editable=False)
    expires_at = models.DateTimeField(editable=False)
    tablet = models.OneToOneField(Tablet, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    """What the code was used for."""


class SignInEvent(RecordModel):
    """Something that happened to a member's way into the workshop."""

    kept_by_ledger = False

    class Kind(models.TextChoices):
        SIGNED_IN = "signed_in", _("signed in")
        SIGNED_OUT = "signed_out", _("signed out")
        SECOND_FACTOR_ADDED = "second_factor_added", _("second factor added")
        SECOND_FACTOR_REMOVED = "second_factor_removed", _("second factor removed")
        RECOVERY_CODES_RENEWED = "recovery_codes_renewed", _("new recovery codes")
        PASSWORD_CHANGED = "password_changed", _("password changed")
        PASSWORD_LINK_MADE = "password_link_made", _("link to set a new password")
        PIN_CHANGED = "pin_changed", _("PIN changed")
        TABLET_ENROLLED = "tablet_enrolled", _("tablet enrolled")
        TABLET_REVOKED = "tablet_revoked", _("tablet revoked")

    membership = models.ForeignKey(
        Membership, on_delete=models.PROTECT, db_constraint=False, related_name="sign_in_events"
    )
    kind = models.CharField(max_length=24, choices=Kind)
    how = models.CharField(max_length=40, blank=True)
    """By which means: words of `fleet.sign_in.binding.MEANS`, a device's name, or on whose behalf."""
    address = models.GenericIPAddressField(null=True)

    class Meta:
        ordering = ("-recorded_at", "id")
        indexes = [models.Index(fields=["workshop", "-recorded_at", "id"], name="fleet_signinevent_order")]


class RefusedSignIn(models.Model):
    """An attempt to sign in that failed. No workshop is known yet, and maybe there is no such person.

    The same row is written whether or not somebody has this e-mail address, which is kept as a keyed hash only.
    """

    class Kind(models.TextChoices):
        FAILED = "failed", _("attempt to sign in failed")
        LOCKED_OUT = "locked_out", _("locked out after failed attempts")

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    subject = models.BinaryField(max_length=32, editable=False)
    kind = models.CharField(max_length=12, choices=Kind)
    how = models.CharField(max_length=40, blank=True)
    address = models.GenericIPAddressField(null=True)
    happened_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("-happened_at", "id")
        indexes = [models.Index(fields=["subject", "-happened_at"], name="fleet_refusedsignin_order")]
