"""Addresses outside the interface."""

from django.urls import path

from .verify import verify

urlpatterns = [path("verify/<str:code>", verify, name="verify")]
