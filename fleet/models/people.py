"""People, what they may do in a workshop, and what proves who they are."""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager, PermissionsMixin
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models.functions import Lower
from django.utils.translation import gettext_lazy as _

from ..ids import new_id
from .base import TenantModel, VersionedModel


class UserManager(BaseUserManager["User"]):
    def create_user(self, email: str, password: str | None = None, **fields: Any) -> User:
        user = self.model(email=email.strip().lower(), **fields)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def create_superuser(self, email: str, password: str, **fields: Any) -> User:
        return self.create_user(email, password, is_staff=True, is_superuser=True, **fields)

    def get_by_natural_key(self, username: str | None) -> User:
        return self.get(email=(username or "").strip().lower())


class User(AbstractBaseUser, PermissionsMixin):
    """A person who signs in. What they are called and may do is on their membership of each workshop."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    email = models.EmailField(_("e-mail"), unique=True)
    is_active = models.BooleanField(_("active"), default=True)
    is_staff = models.BooleanField(_("deployer"), default=False)
    password_links = models.PositiveIntegerField(default=0, editable=False)
    """How many links to set a new password were made; only the newest is good."""

    objects: ClassVar[UserManager] = UserManager()

    USERNAME_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = []

    class Meta:
        constraints = [
            models.UniqueConstraint(
                Lower("email"),
                name="fleet_user_email_any_case",
                violation_error_message=_("There is already a person with this e-mail address."),
            )
        ]

    def __str__(self) -> str:
        return self.email


class Role(models.TextChoices):
    MANAGER = "manager", _("manager")
    TECHNICIAN = "technician", _("technician")
    AUDITOR = "auditor", _("auditor")
    OPERATOR_CONTACT = "operator_contact", _("operator contact")
    INTEGRATOR = "integrator", _("integrator")


class Membership(VersionedModel):
    """A person in a workshop, with a set of roles and a PIN for signing on a shared tablet."""

    private_fields = (
        "name",
        "pin",
        "commitment_salt",
        "pin_failures",
        "pin_locked_until",
        "length_unit",
        "language",
        "version",
    )

    class LengthUnit(models.TextChoices):
        WORKSHOP = "", _("as the workshop")
        MILLIMETRE = "mm", _("millimetres")
        INCH = "inch", _("inches")

    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="memberships")
    name = models.CharField(_("name"), max_length=120)
    roles = ArrayField(models.CharField(max_length=20, choices=Role), verbose_name=_("roles"))
    operator = models.ForeignKey(
        "fleet.Operator",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        db_constraint=False,
        related_name="contacts",
    )
    may_approve = models.BooleanField(_("may approve"), default=False)
    is_active = models.BooleanField(_("active"), default=False)
    pin = models.CharField(max_length=128, blank=True, editable=False)
    pin_failures = models.PositiveSmallIntegerField(default=0, editable=False)
    pin_locked_until = models.DateTimeField(null=True, editable=False)
    length_unit = models.CharField(max_length=4, choices=LengthUnit, default="", blank=True)
    language = models.CharField(max_length=10, default="", blank=True)
    """Of pages; empty: the one that the browser asks for."""
    commitment_salt = models.BinaryField(max_length=16, editable=False, default=bytes)
    created_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("created_at", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "user"],
                name="fleet_membership_one_per_person",
                violation_error_message=_(
                    "This person already belongs to the workshop. Change their roles, or invite them again."
                ),
            ),
            models.CheckConstraint(
                condition=models.Q(roles__contained_by=Role.values) & models.Q(roles__len__gte=1),
                name="fleet_membership_known_roles",
                violation_error_message=_("A person needs at least one role, and only roles that exist."),
            ),
            models.CheckConstraint(
                condition=~models.Q(roles__contains=[Role.OPERATOR_CONTACT]) | models.Q(operator__isnull=False),
                name="fleet_membership_contact_has_operator",
                violation_error_message=_("An operator contact must name the operator."),
            ),
            models.CheckConstraint(
                condition=~models.Q(roles__contains=[Role.INTEGRATOR])
                | models.Q(roles=[Role.INTEGRATOR], may_approve=False),
                name="fleet_membership_integrator_alone",
                violation_error_message=_("An integrator is a program: it has no other role and approves nothing."),
            ),
        ]
        indexes = [models.Index(fields=["workshop", "created_at", "id"], name="fleet_membership_order")]

    def __str__(self) -> str:
        return self.name

    @property
    def can_decide(self) -> bool:
        """May approve, rule and strike after the verdict: managers and named deputies."""
        return self.is_active and (self.may_approve or Role.MANAGER in self.roles)


class Invitation(TenantModel):
    """A one-time code by which a person sets their own password and PIN."""

    private_fields = ("digest",)

    membership = models.ForeignKey(
        Membership, on_delete=models.PROTECT, db_constraint=False, related_name="invitations"
    )
    digest = models.BinaryField(max_length=32, unique=True, editable=False)
    created_at = models.DateTimeField(editable=False)
    expires_at = models.DateTimeField()
    accepted_at = models.DateTimeField(null=True, editable=False)


class AccessToken(TenantModel):
    """A bearer token: stored hashed, named after a device, bound to one membership, one tablet, or both."""

    private_fields = ("digest", "last_used_at")

    class Kind(models.TextChoices):
        PERSONAL = "personal", _("of a person, by their password")
        INTEGRATOR = "integrator", _("of a program")
        TABLET = "tablet", _("of a tablet")
        PERSON_ON_TABLET = "person_on_tablet", _("of a person on a tablet, by their PIN")

    kind = models.CharField(max_length=16, choices=Kind, default=Kind.PERSONAL)
    membership = models.ForeignKey(
        Membership, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="tokens"
    )
    tablet = models.ForeignKey(
        "fleet.Tablet", null=True, on_delete=models.PROTECT, db_constraint=False, related_name="tokens"
    )
    digest = models.BinaryField(max_length=32, unique=True, editable=False)
    device = models.CharField(_("device"), max_length=80)
    scopes = ArrayField(models.CharField(max_length=40), default=list, blank=True)
    created_at = models.DateTimeField(editable=False)
    expires_at = models.DateTimeField(null=True)
    revoked_at = models.DateTimeField(null=True, editable=False)
    last_used_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ("-created_at", "id")
        constraints = [
            models.CheckConstraint(
                condition=models.Q(kind="tablet", membership=None, tablet__isnull=False)
                | models.Q(kind="person_on_tablet", membership__isnull=False, tablet__isnull=False)
                | models.Q(kind__in=["personal", "integrator"], membership__isnull=False, tablet=None),
                name="fleet_accesstoken_bound_by_kind",
                violation_error_message=_(
                    "A tablet's token belongs to the tablet, a person's to the person, one made by PIN to both."
                ),
            )
        ]
