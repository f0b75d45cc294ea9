"""What is known of responses, as stored and back again: exactly, so that a job is judged alike for ever."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ..metrology.response import ResponsePrior
from ..metrology.vehicle_response import KnownBefore


def known_before_document(known: KnownBefore) -> dict[str, Any]:
    """As JSON; figures keep every digit."""
    return {"model": prior_document(known.model), "vehicle": prior_document(known.vehicle) if known.vehicle else None}


def known_before_from(document: Mapping[str, Any]) -> KnownBefore:
    vehicle = document["vehicle"]
    return KnownBefore(prior_from(document["model"]), prior_from(vehicle) if vehicle else None)


def prior_document(prior: ResponsePrior) -> dict[str, Any]:
    return {
        "source": prior.source,
        "vehicles": prior.vehicles,
        "mean_mm_per_count": prior.mean.tolist(),
        "covariance": prior.covariance.tolist(),
    }


def prior_from(document: Mapping[str, Any]) -> ResponsePrior:
    return ResponsePrior(
        np.array(document["mean_mm_per_count"], dtype=np.float64),
        np.array(document["covariance"], dtype=np.float64),
        document["source"],
        document["vehicles"],
    )
