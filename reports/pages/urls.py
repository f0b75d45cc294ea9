"""Addresses outside the interface."""

from django.urls import path

from .verify import ask, verify

urlpatterns = [
    path("verify/", ask, name="verify-ask"),
    path("verify/<str:code>", verify, name="verify"),
    path("verify/<str:code>/", verify),  # as people may type it
]
