"""Addresses of the bench app, to be included under `/bench/`."""

from django.urls import URLPattern, path

from . import views

urlpatterns: list[URLPattern] = [
    path("", views.bench, name="bench"),
    path("manifest.webmanifest", views.manifest, name="bench-manifest"),
    path("service-worker.js", views.service_worker, name="bench-worker"),
    path("looks.css", views.looks, name="bench-looks"),
    path("parcel", views.together, name="bench-parcel"),
    path("later-texts.js", views.later_texts, name="bench-later-texts"),
    path("texts.js", views.texts, name="bench-texts"),
]
