"""What the vehicles of a model have taught of its responses."""

from __future__ import annotations

from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response

from calibration.metrology.corners import AXLES
from calibration.selectors.learned_responses import learned_response
from fleet.api.resources import found
from fleet.days import local_day
from fleet.models import VehicleModel
from fleet.permissions import Permission, require

from ..serializers.learned_responses import LearnedResponseRecord
from .base import WorkViewSet


class LearnedResponseViewSet(WorkViewSet):
    """`/vehicle-models/{id}/response/`"""

    queryset = VehicleModel.objects.all()
    serializer_class = LearnedResponseRecord
    lookup_url_kwarg = "vehicle_model"
    summaries = {"retrieve": _("What the model's vehicles have taught of its responses, axle by axle.")}

    def retrieve(self, request: Request, *args: object, **kwargs: object) -> Response:
        vehicle_model = found(VehicleModel.objects.all(), self.kwargs["vehicle_model"])
        require(self.actor, Permission.READ_WORKSHOP)
        learned = learned_response(vehicle_model, local_day(self.actor.now))
        by_axle = {each.axle: each for each in learned.axles}
        shown = {
            "vehicle_model": vehicle_model.pk,
            "specification": learned.specification.pk if learned.specification else None,
            "revision": learned.specification.revision if learned.specification else None,
            "axles": {axle: by_axle.get(axle) for axle in AXLES},
        }
        return Response(LearnedResponseRecord(shown, context=self.get_serializer_context()).data)
