"""Django's admin for whoever runs the installation: accounts may be closed, everything else is only looked at.

Changes of a workshop's records go through the services, which check, version and write the ledger. Row-level
security shows nothing here either until a workshop is chosen by its id: /admin/workshop/<id>/.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable
from typing import Any, Final

from django.apps import apps
from django.contrib import admin
from django.contrib.auth import REDIRECT_FIELD_NAME
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.db.models import Model
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.template.response import TemplateResponse
from django.urls import URLPattern, URLResolver, path, reverse
from django.utils.translation import gettext_lazy as _

from .models import Installation, TenantModel, User
from .tenancy import in_workshop

CHOSEN: Final = "deployer_workshop"
SECRET_FIELDS: Final = frozenset({"password", "pin", "digest", "commitment_salt"})


class DeployerSite(admin.AdminSite):
    """The admin, within the workshop that the deployer chose."""

    site_header = _("Levelbook: this installation")

    def get_urls(self) -> list[URLPattern | URLResolver]:
        choose = path("workshop/<uuid:workshop>/", self.admin_view(self.choose_workshop), name="choose_workshop")
        return [choose, *super().get_urls()]

    def login(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> HttpResponse:
        """Deployers sign in as everybody does, with their second factor; whoever has and is none sees nothing here."""
        if request.user.is_authenticated:
            raise PermissionDenied
        back = request.GET.get(REDIRECT_FIELD_NAME) or reverse("admin:index")
        return redirect_to_login(back, reverse("account_login"))

    def choose_workshop(self, request: HttpRequest, workshop: uuid.UUID) -> HttpResponse:
        request.session[CHOSEN] = str(workshop)
        return HttpResponseRedirect(reverse("admin:index"))

    def admin_view(self, view: Any, cacheable: bool = False) -> Any:
        return super().admin_view(_within_chosen_workshop(view), cacheable)


def _within_chosen_workshop(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    def wrapped(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        chosen = request.session.get(CHOSEN)
        if chosen is None:
            return view(request, *args, **kwargs)
        with in_workshop(uuid.UUID(chosen)):
            response = view(request, *args, **kwargs)
            return response.render() if isinstance(response, TemplateResponse) else response

    return wrapped


class ReadOnlyAdmin(admin.ModelAdmin):  # type: ignore[type-arg]
    """Rows to look at, without secrets."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False

    def get_fields(self, request: HttpRequest, obj: Model | None = None) -> Any:
        return [field.name for field in self.opts.concrete_fields if field.name not in SECRET_FIELDS]


class UserAdmin(ReadOnlyAdmin):
    """Accounts: closed and opened here; passwords are everyone's own."""

    list_display = ("email", "is_active", "is_staff", "last_login")
    search_fields = ("email",)
    readonly_fields = ("id", "email", "last_login", "is_superuser", "is_staff", "password_links")

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return bool(getattr(request.user, "is_superuser", False))


site = DeployerSite()
site.register(User, UserAdmin)
site.register(Installation, ReadOnlyAdmin)
site.register(
    [model for model in apps.get_app_config("fleet").get_models() if issubclass(model, TenantModel)],
    ReadOnlyAdmin,
)
