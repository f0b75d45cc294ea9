"""Addresses of fleet under /api/v1/."""

from typing import Any

from django.urls import URLPattern, path

from . import (
    bays,
    checkpoints,
    head_conflicts,
    instruments,
    ledgers,
    operators,
    people,
    tablets,
    tokens,
    vehicle_models,
    vehicles,
    workshop,
)

Actions = dict[str, Any]

COLLECTION: Actions = {"get": "list", "post": "create"}
ONE: Actions = {"get": "retrieve"}
CHANGEABLE: Actions = {"get": "retrieve", "patch": "partial_update"}
ONE_TOKEN: Actions = {"get": "retrieve", "delete": "destroy"}

urlpatterns: list[URLPattern] = [
    path("tokens/", tokens.TokenViewSet.as_view(COLLECTION)),
    path("tokens/current/", tokens.TokenViewSet.as_view({"delete": "destroy_current"})),
    path("tokens/<uuid:pk>/", tokens.TokenViewSet.as_view(ONE_TOKEN)),
    path("enrolments/", tablets.EnrolmentView.as_view({"post": "create"})),
    path("tablet/", tablets.ThisTabletView.as_view(ONE)),
    path("tablet/people/", tablets.ThisTabletView.as_view({"get": "people"})),
    path("tablet/person/", tablets.ThisTabletView.as_view({"post": "create"})),
    path("tablet/heads/", tablets.ThisTabletView.as_view({"post": "compare_heads"})),
    path("tablets/", tablets.TabletViewSet.as_view({"get": "list"})),
    path("tablets/<uuid:pk>/", tablets.TabletViewSet.as_view({**CHANGEABLE, "delete": "destroy"})),
    path("me/", workshop.MeView.as_view(ONE)),
    path("me/pin/", workshop.MeView.as_view({"put": "set_pin"})),
    path("me/language/", workshop.MeView.as_view({"put": "set_language"})),
    path("me/units/", workshop.MeView.as_view({"put": "set_units"})),
    path("workshop/", workshop.WorkshopView.as_view(CHANGEABLE)),
    path("invitations/<str:code>/acceptance/", workshop.AcceptanceView.as_view({"post": "create"})),
    path("people/", people.PersonViewSet.as_view(COLLECTION)),
    path("people/<uuid:pk>/", people.PersonViewSet.as_view(CHANGEABLE)),
    path("people/<uuid:pk>/invitation/", people.PersonViewSet.as_view({"post": "reinvite"})),
    path("people/<uuid:person>/tokens/", tokens.IntegratorTokenViewSet.as_view(COLLECTION)),
    path("operators/", operators.OperatorViewSet.as_view(COLLECTION)),
    path("operators/<uuid:pk>/", operators.OperatorViewSet.as_view(CHANGEABLE)),
    path("bays/", bays.BayViewSet.as_view(COLLECTION)),
    path("bays/<uuid:pk>/", bays.BayViewSet.as_view(CHANGEABLE)),
    path("instruments/", instruments.InstrumentViewSet.as_view(COLLECTION)),
    path("instruments/<uuid:pk>/", instruments.InstrumentViewSet.as_view(ONE)),
    path("instruments/<uuid:instrument>/calibrations/", instruments.CalibrationViewSet.as_view(COLLECTION)),
    path("instruments/<uuid:instrument>/calibrations/<uuid:pk>/", instruments.CalibrationViewSet.as_view(ONE)),
    path("instruments/<uuid:instrument>/withdrawal/", instruments.WithdrawalViewSet.as_view(COLLECTION)),
    path("instruments/<uuid:instrument>/withdrawal/<uuid:pk>/", instruments.WithdrawalViewSet.as_view(ONE)),
    path("vehicle-models/", vehicle_models.VehicleModelViewSet.as_view(COLLECTION)),
    path("vehicle-models/<uuid:pk>/", vehicle_models.VehicleModelViewSet.as_view(CHANGEABLE)),
    path(
        "vehicle-models/<uuid:vehicle_model>/specifications/",
        vehicle_models.SpecificationViewSet.as_view(COLLECTION),
    ),
    path(
        "vehicle-models/<uuid:vehicle_model>/specifications/<uuid:pk>/",
        vehicle_models.SpecificationViewSet.as_view(ONE),
    ),
    path("vehicles/", vehicles.VehicleViewSet.as_view(COLLECTION)),
    path("vehicles/<str:vin>/", vehicles.VehicleViewSet.as_view(CHANGEABLE)),
    path("vehicles/<str:vin>/vin-correction/", vehicles.VinCorrectionViewSet.as_view(COLLECTION)),
    path("vehicles/<str:vin>/fitments/", vehicles.FitmentViewSet.as_view(COLLECTION)),
    path("vehicles/<str:vin>/fitments/<uuid:pk>/", vehicles.FitmentViewSet.as_view(ONE)),
    path("vehicles/<str:vin>/events/", vehicles.EventViewSet.as_view(COLLECTION)),
    path("vehicles/<str:vin>/events/<uuid:pk>/", vehicles.EventViewSet.as_view(ONE)),
    path("vehicles/<str:vin>/history/", ledgers.HistoryViewSet.as_view({"get": "list"})),
    path("vehicles/<str:vin>/ledger/", ledgers.VehicleLedgerViewSet.as_view({"get": "list"})),
    path("ledger/checkpoints/", checkpoints.CheckpointViewSet.as_view({"get": "list"})),
    path("ledger/checkpoints/<int:size>/", checkpoints.CheckpointViewSet.as_view(ONE)),
    path("ledger/proof/", checkpoints.ProofView.as_view({"get": "inclusion"})),
    path("ledger/consistency/", checkpoints.ProofView.as_view({"get": "consistency"})),
    path("head-conflicts/", head_conflicts.HeadConflictViewSet.as_view({"get": "list"})),
    path("head-conflicts/<uuid:pk>/", head_conflicts.HeadConflictViewSet.as_view(ONE)),
    path(
        "head-conflicts/<uuid:pk>/acknowledgement/",
        head_conflicts.HeadConflictViewSet.as_view({"post": "acknowledgement"}),
    ),
    path("ledger/", ledgers.LedgerViewSet.as_view({"get": "list"})),
]
