"""Addresses of signing in, of one's own account and of tablets."""

from allauth.account import views as account_views
from django.urls import URLPattern, URLResolver, include, path

from . import account, lost_password, tablets
from .choose_workshop import ChooseWorkshopView
from .invitation import AcceptedView, InvitationView
from .pin import PinView
from .preferences import PreferencesView

ACCOUNT: list[URLPattern | URLResolver] = [
    path("", account.AccountView.as_view(), name="account"),
    path("closed/", account_views.account_inactive, name="account_inactive"),
    path("confirm/", account_views.reauthenticate, name="account_reauthenticate"),
    path("password/", account_views.password_change, name="account_change_password"),
    path("pin/", PinView.as_view(), name="own_pin"),
    path("preferences/", PreferencesView.as_view(), name="own_preferences"),
    path("second-factor/", include("allauth.mfa.urls")),
    path("sign-ins/", account.OwnSignInsView.as_view(), name="own_sign_ins"),
]

urlpatterns: list[URLPattern | URLResolver] = [
    path("sign-in/", account_views.login, name="account_login"),
    path("sign-out/", account_views.logout, name="account_logout"),
    path("choose-workshop/", ChooseWorkshopView.as_view(), name="choose_workshop"),
    path("invitation/<str:code>/", InvitationView.as_view(), name="invitation"),
    path("invitation/<str:code>/accepted/", AcceptedView.as_view(), name="invitation_accepted"),
    path("new-password/<str:code>/", lost_password.NewPasswordView.as_view(), name="new_password"),
    path("people/<uuid:person>/password-link/", lost_password.PasswordLinkView.as_view(), name="password_link"),
    path("account/", include(ACCOUNT)),
    path("sign-ins/", account.SignInsView.as_view(), name="sign_ins"),
    path("tablets/", tablets.TabletsView.as_view(), name="tablets"),
    path("tablets/enrolment/", tablets.EnrolmentView.as_view(), name="tablet_enrolment"),
    path("tablets/<uuid:tablet>/", tablets.TabletView.as_view(), name="tablet"),
    path("tablets/<uuid:tablet>/revocation/", tablets.TabletRevocationView.as_view(), name="tablet_revocation"),
    path("", include("fleet.pages.set_up_urls")),
]
