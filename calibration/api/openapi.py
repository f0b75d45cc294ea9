"""What the schema says about steps of a job: bodies and answers by action, beside what fleet's schema reads."""

from __future__ import annotations

from typing import Any, Final

from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import OpenApiResponse

from fleet.api.openapi import ResourceSchema

RECORDING: Final = "recording"
"""A call that makes a record: 201, and 200 when it is sent again."""
ACTING: Final = "acting"
"""A call that brings the job on: 200, also when it is sent again."""


class WorkSchema(ResourceSchema):
    """Reads `bodies` and `answers` of a view; each has an entry for each action that is no plain reading."""

    def get_request_serializer(self) -> Any:
        return self._of_view("bodies") or super().get_request_serializer()

    def get_response_serializers(self) -> Any:
        answer = self._of_view("answers")
        if answer is None:
            return super().get_response_serializers()
        way, serializer = answer
        if isinstance(serializer, dict):
            return serializer
        again = OpenApiResponse(serializer, description=str(_("Carried out before with this id and content.")))
        if way == RECORDING:
            return {201: OpenApiResponse(serializer, description=str(_("Recorded."))), 200: again}
        return {200: OpenApiResponse(serializer, description=str(_("Done, now or before.")))}
