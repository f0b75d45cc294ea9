"""Addresses of the pages by which a workshop is set up, and their lines in the index."""

from django.urls import URLPattern, URLResolver, include, path
from django.utils.translation import gettext_lazy as _

from fleet.permissions import Permission

from . import (
    bays,
    first_run,
    instruments,
    operators,
    people,
    settings,
    specifications,
    tokens,
    vehicle_models,
    vehicles_new,
)
from .surroundings import Entry, register_entries

register_entries(
    Entry(300, "operators", _("Operators"), Permission.READ_WORKSHOP),
    Entry(310, "vehicle_models", _("Vehicle models"), Permission.READ_WORKSHOP),
    Entry(320, "instruments", _("Instruments"), Permission.READ_WORKSHOP),
    Entry(330, "bays", _("Bays"), Permission.READ_WORKSHOP),
    Entry(600, "people", _("People"), Permission.SET_UP),
    Entry(750, "settings", _("Settings"), Permission.SET_UP),
    Entry(760, "first_steps", _("First steps"), Permission.SET_UP),
)

VEHICLE_MODEL: list[URLPattern | URLResolver] = [
    path("", vehicle_models.VehicleModelView.as_view(), name="vehicle_model"),
    path("change/", vehicle_models.ChangeVehicleModelView.as_view(), name="vehicle_model_change"),
    path("specifications/new/", specifications.NewSpecificationView.as_view(), name="specification_new"),
    path("specifications/comparison/", specifications.ComparisonView.as_view(), name="comparison"),
    path("specifications/<int:revision>/", specifications.SpecificationView.as_view(), name="specification"),
]
INSTRUMENT: list[URLPattern | URLResolver] = [
    path("", instruments.InstrumentView.as_view(), name="instrument"),
    path("calibration/", instruments.CalibrateInstrumentView.as_view(), name="instrument_calibration"),
    path("withdrawal/", instruments.WithdrawInstrumentView.as_view(), name="instrument_withdrawal"),
]
VEHICLE: list[URLPattern | URLResolver] = [
    path("change/", vehicles_new.ChangeVehicleView.as_view(), name="vehicle_change"),
    path("vin-correction/", vehicles_new.CorrectVinView.as_view(), name="vin_correction"),
    path("fitments/new/", vehicles_new.RecordFitmentView.as_view(), name="fitment_new"),
    path("events/new/", vehicles_new.RecordEventView.as_view(), name="event_new"),
]
urlpatterns: list[URLPattern | URLResolver] = [
    path("first-steps/", first_run.FirstStepsView.as_view(), name="first_steps"),
    path("settings/", settings.SettingsView.as_view(), name="settings"),
    path("people/", people.PeopleView.as_view(), name="people"),
    path("people/new/", people.InvitePersonView.as_view(), name="person_new"),
    path("people/<uuid:person>/", people.PersonView.as_view(), name="person"),
    path("people/<uuid:person>/invitation/", people.ReinvitePersonView.as_view(), name="person_invitation"),
    path("people/<uuid:person>/tokens/", tokens.TokensView.as_view(), name="person_tokens"),
    path(
        "people/<uuid:person>/tokens/<uuid:token>/revocation/",
        tokens.TokenRevocationView.as_view(),
        name="person_token_revocation",
    ),
    path("operators/", operators.OperatorsView.as_view(), name="operators"),
    path("operators/new/", operators.NewOperatorView.as_view(), name="operator_new"),
    path("operators/<uuid:operator>/", operators.OperatorView.as_view(), name="operator"),
    path("bays/", bays.BaysView.as_view(), name="bays"),
    path("bays/new/", bays.NewBayView.as_view(), name="bay_new"),
    path("bays/<uuid:bay>/", bays.BayView.as_view(), name="bay"),
    path("instruments/", instruments.InstrumentsView.as_view(), name="instruments"),
    path("instruments/new/", instruments.NewInstrumentView.as_view(), name="instrument_new"),
    path("instruments/<uuid:instrument>/", include(INSTRUMENT)),
    path("vehicle-models/", vehicle_models.VehicleModelsView.as_view(), name="vehicle_models"),
    path("vehicle-models/new/", vehicle_models.NewVehicleModelView.as_view(), name="vehicle_model_new"),
    path("vehicle-models/<uuid:vehicle_model>/", include(VEHICLE_MODEL)),
    path("vehicles/new/", vehicles_new.NewVehicleView.as_view(), name="vehicle_new"),
    path("vehicles/labels/", vehicles_new.LabelsView.as_view(), name="labels"),
    path("vehicles/<str:vin>/", include(VEHICLE)),
]
