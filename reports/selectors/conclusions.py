"""What issued documents conclude, in the words of their first page."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from dataclasses import dataclass

from calibration.metrology.conformity import joint_verdict

from ..certificate.conclusion import Conclusion, conclude, last_state
from ..certificate.document import Document, DocumentError, Verdict, from_json
from ..models import CertificateFile


@dataclass(frozen=True, slots=True)
class Concluded:
    """Headline and sentences in the reader's language, and the verdict on the last measurement.

    The verdict is over all corners and sides, as a list of vehicles has it: also over those that cannot be adjusted.
    """

    conclusion: Conclusion
    verdict: Verdict | None

    @classmethod
    def of(cls, document: Document) -> Concluded:
        state = last_state(document)
        if state is None or state.verdict is None:
            return cls(conclude(document), None)
        corners = [each.verdict for each in state.corners.values()]
        sides = [each.verdict for each in state.sides.values()]
        judged = [each for each in (state.verdict, *corners, *sides) if each is not None]
        return cls(conclude(document), joint_verdict(judged))


def conclusions_of(certificates: Collection[uuid.UUID]) -> dict[uuid.UUID, Concluded]:
    """By certificate; without those that are in preparation, and those whose document a later release has written."""
    files = CertificateFile.objects.filter(certificate__in=certificates).values_list("certificate", "snapshot")
    found = {}
    for certificate, snapshot in files:
        try:
            found[certificate] = Concluded.of(from_json(snapshot))
        except DocumentError:
            continue
    return found
