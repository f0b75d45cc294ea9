"""The work's resources, to be included under `/api/v1/`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import HttpResponseBase
from django.urls import URLPattern, path

from .views.approvals import ApprovalViewSet
from .views.base import WorkViewSet
from .views.findings import FindingViewSet, RulingViewSet
from .views.height_checks import (
    CheckPhotoFileViewSet,
    CheckPhotoViewSet,
    CheckReadingViewSet,
    HeightCheckViewSet,
    VehicleHeightCheckViewSet,
)
from .views.jobs import JobViewSet
from .views.leak_tests import LeakTestViewSet
from .views.photos import PhotoFileViewSet, PhotoViewSet
from .views.proposals import ConcessionViewSet, ProposalViewSet, ReversionViewSet
from .views.readiness import ReadinessViewSet
from .views.rounds import ReadingViewSet, RoundViewSet
from .views.vehicles import VehicleSetpointsViewSet
from .views.writes import WriteViewSet

READ = {"get": "retrieve"}
LIST = {"get": "list"}
LIST_AND_MAKE = {"get": "list", "post": "create"}


def _at(address: str, view: type[WorkViewSet], actions: dict[str, Any], name: str) -> URLPattern:
    serve: Callable[..., HttpResponseBase] = view.as_view(actions, basename=view.__name__)
    return path(address, serve, name=name)


def _of_job(collection: str, view: type[WorkViewSet], actions: dict[str, Any]) -> list[URLPattern]:
    """A collection of one job, and one of it."""
    return [
        _at(f"jobs/<uuid:job_id>/{collection}/", view, actions, f"job-{collection}"),
        _at(f"jobs/<uuid:job_id>/{collection}/<uuid:pk>/", view, READ, f"job-{collection}-one"),
    ]


def _across_jobs(collection: str, view: type[WorkViewSet]) -> list[URLPattern]:
    """The same records of all jobs, or of all vehicles."""
    return [
        _at(f"{collection}/", view, LIST, collection),
        _at(f"{collection}/<uuid:pk>/", view, READ, f"{collection}-one"),
    ]


def _step(address: str, action: str) -> URLPattern:
    return _at(f"jobs/<uuid:job_id>/{address}/", JobViewSet, {"post": action}, f"job-{address}")


urlpatterns = [
    _at("jobs/", JobViewSet, LIST_AND_MAKE, "jobs"),
    _at("jobs/<uuid:pk>/", JobViewSet, READ, "job"),
    _step("pause", "pause"),
    _step("resumption", "resumption"),
    _step("end", "end"),
    _step("refiling", "refiling"),
    _step("sign-off", "sign_off"),
    *_of_job("readiness", ReadinessViewSet, LIST_AND_MAKE),
    *_of_job("rounds", RoundViewSet, LIST_AND_MAKE),
    *_of_job("proposals", ProposalViewSet, LIST_AND_MAKE),
    *_of_job("concession", ConcessionViewSet, LIST_AND_MAKE),
    *_of_job("reversion", ReversionViewSet, LIST_AND_MAKE),
    *_of_job("writes", WriteViewSet, LIST_AND_MAKE),
    *_of_job("leak-tests", LeakTestViewSet, LIST_AND_MAKE),
    *_of_job("findings", FindingViewSet, LIST),
    *_of_job("rulings", RulingViewSet, LIST_AND_MAKE),
    *_across_jobs("rounds", RoundViewSet),
    *_across_jobs("proposals", ProposalViewSet),
    *_across_jobs("writes", WriteViewSet),
    _at("rounds/<uuid:round_id>/readings/", ReadingViewSet, LIST_AND_MAKE, "round-readings"),
    _at("readings/<uuid:pk>/", ReadingViewSet, READ, "reading"),
    _at("readings/<uuid:pk>/strike/", ReadingViewSet, {"get": "strike_retrieve", "post": "strike"}, "reading-strike"),
    _at("rounds/<uuid:round_id>/photos/", PhotoViewSet, LIST_AND_MAKE, "round-photos"),
    _at("writes/<uuid:write_id>/photos/", PhotoViewSet, LIST_AND_MAKE, "write-photos"),
    _at("photos/<uuid:pk>/", PhotoViewSet, READ, "photo"),
    _at("photos/<uuid:pk>/file/", PhotoFileViewSet, READ, "photo-file"),
    _at("approvals/", ApprovalViewSet, LIST, "approvals"),
    _at("approvals/<uuid:pk>/", ApprovalViewSet, READ, "approval"),
    _at("approvals/<uuid:pk>/decision/", ApprovalViewSet, {"post": "decision"}, "approval-decision"),
    _at("vehicles/<str:vin>/setpoints/", VehicleSetpointsViewSet, LIST, "vehicle-setpoints"),
    _at("vehicles/<str:vin>/baseline-reset/", VehicleSetpointsViewSet, {"post": "create"}, "vehicle-baseline-reset"),
    _at("vehicles/<str:vin>/checks/", VehicleHeightCheckViewSet, LIST_AND_MAKE, "vehicle-checks"),
    _at("vehicles/<str:vin>/checks/<uuid:pk>/", VehicleHeightCheckViewSet, READ, "vehicle-checks-one"),
    *_across_jobs("checks", HeightCheckViewSet),
    _at(
        "check-readings/<uuid:pk>/strike/",
        CheckReadingViewSet,
        {"get": "strike_retrieve", "post": "strike"},
        "check-reading-strike",
    ),
    _at("checks/<uuid:check_id>/photos/", CheckPhotoViewSet, LIST_AND_MAKE, "check-photos"),
    _at("check-photos/<uuid:pk>/", CheckPhotoViewSet, READ, "check-photo"),
    _at("check-photos/<uuid:pk>/file/", CheckPhotoFileViewSet, READ, "check-photo-file"),
]
