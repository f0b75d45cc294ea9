"""Whether a map of set-points has the corners that the job's vehicle has.

Asked when a request is carried out, not when it is read: sent again after the job was refiled to another vehicle
model, the same request must still be known as the same.
"""

from __future__ import annotations

from collections.abc import Mapping

from django.utils.translation import gettext as _

from calibration.metrology.corners import CORNERS
from calibration.models import Job
from calibration.selectors.casefile import CaseFile
from fleet.errors import FieldError, Invalid


def require_controlled_corners(job: Job, setpoints: Mapping[str, int], member: str) -> None:
    """A count for each controlled corner and for no other; without a specification for any corners."""
    specification = CaseFile(job).specification
    if specification is None:
        return
    controlled = specification.content["controlled_corners"]
    listed = ", ".join(each for each in CORNERS if each in controlled)
    uncontrolled = _("The control unit of this vehicle does not control this corner. It controls: %(corners)s.")
    missing = _("A count for this corner is missing. The control unit controls: %(corners)s.")
    errors = [
        FieldError(f"/{member}/{each}", "uncontrolled_corner", uncontrolled % {"corners": listed})
        for each in setpoints
        if each not in controlled
    ] + [
        FieldError(f"/{member}/{each}", "corner_missing", missing % {"corners": listed})
        for each in CORNERS
        if each in controlled and each not in setpoints
    ]
    if errors:
        raise Invalid(errors)
