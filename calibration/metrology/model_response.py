"""What the vehicles of a model teach about how the next one will respond to its set-points.

A corner's response is its model's mean plus what its axle shares (0.8 of the standard deviation) plus its own (0.6):
the two corners of an axle are no two draws. One vehicle therefore gives one draw an axle, with the uncertainty of what
it taught. Mean and spread of a model's axle follow from the draws and, where these are few, from the specification
(section 5: shrunk, not switched on).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .corners import AXLES, CORNERS, CORNERS_OF, Axle, Corner
from .errors import MetrologyError
from .random_effects import Default, Population, population
from .response import JointState, ResponsePrior, prior_from_specification
from .specification import Specification

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]

SPECIFICATION_DRAWS = 0.5
"""Vehicles that the specification's mean counts for: it may be a fifth wrong, and vehicles differ less than that."""
SPECIFICATION_FREEDOM = 16.0
"""Degrees of freedom that its standard deviation counts for: with fewer, the spread of twenty vehicles is so uncertain
that every other stop for a suspect corner is one of an ordinary vehicle."""
LEAST_INFORMATION = 1e-3
"""In draws: a vehicle that taught less of an axle (it was never moved) is no draw."""


@dataclass(frozen=True, slots=True)
class AxleDraw:
    """What one vehicle says of its model's mean response at one axle.

    `estimate` and `variance` in mm per count and its square, without the spread between vehicles, of which the draw has
    `between_factor` times the corners' variance (0.82 for two corners of equal weight, 1 for one).
    """

    estimate: float
    variance: float
    between_factor: float


def axle_draws(specification: Specification, prior: ResponsePrior, posterior: JointState) -> dict[Axle, AxleDraw]:
    """The draws that a vehicle's job gives, by axle; none for an axle that was not moved.

    The prior with which the job was followed is taken out again, so that nothing that was only assumed counts as seen.

    Raises
    ------
    MetrologyError
        If prior and specification do not control the same corners.

    Source: Bayes' theorem for normal distributions; generalised least squares over an axle's two corners.

    >>> from .specification import AxleSpecification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> van = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> prior = prior_from_specification(van)
    >>> taught = JointState(np.full(8, 0.72), np.diag([1.0] * 4 + [1e-6] * 4), (100, 100, 100, 100))
    >>> draw = axle_draws(van, prior, taught)["front"]
    >>> round(draw.estimate, 3), round(draw.between_factor, 3)
    (0.72, 0.82)
    """
    reference = prior_from_specification(specification)
    if np.any((np.diag(prior.covariance) > 0) != (np.diag(reference.covariance) > 0)):
        raise MetrologyError("prior", np.diag(prior.covariance).tolist(), "a prior of the controlled corners")
    draws = {axle: _axle_draw(specification, axle, reference, prior, posterior) for axle in AXLES}
    return {axle: draw for axle, draw in draws.items() if draw is not None}


def _independent_corners(specification: Specification, axle: Axle) -> list[int]:
    """Places of an axle's controlled corners; one of two that are linked."""
    corners = [corner for corner in CORNERS_OF[axle] if corner in specification.controlled_corners]
    if len(corners) == 2 and specification.linked_with(corners[0]) == corners[1]:
        corners = corners[:1]
    return [CORNERS.index(corner) for corner in corners]


def _axle_draw(
    specification: Specification, axle: Axle, reference: ResponsePrior, prior: ResponsePrior, posterior: JointState
) -> AxleDraw | None:
    places = _independent_corners(specification, axle)
    if not places:
        return None
    at = np.ix_(places, places)
    before, after = np.linalg.inv(prior.covariance[at]), np.linalg.inv(posterior.response_covariance[at])
    precision = after - before
    information = after @ posterior.responses[places] - before @ prior.mean[places]
    spread = reference.covariance[at]
    # What is known of the model's mean once each corner's own departure from it is averaged out.
    damping = np.eye(len(places)) - precision @ np.linalg.inv(precision + np.linalg.inv(spread))
    row_weights = (damping @ precision).sum(axis=0)
    total = float(row_weights.sum())
    corner_variance = float(spread[0, 0])
    if total * corner_variance < LEAST_INFORMATION:
        return None
    weights = row_weights / total
    factor = float(weights @ spread @ weights) / corner_variance
    estimate = float((damping @ information).sum()) / total
    return AxleDraw(estimate, max(0.0, 1.0 / total - factor * corner_variance), factor)


def model_axle(specification: Specification, axle: Axle, draws: Sequence[AxleDraw]) -> Population:
    """Mean response of a model's axle and the standard deviation between its vehicles' corners, mm per count.

    Random effects over the vehicles' draws, shrunk to the specification's mean (as half a vehicle) and its deviation
    (as sixteen degrees of freedom).

    Raises
    ------
    MetrologyError
        If the axle is not controlled.

    Source: `random_effects.population`, against statsmodels.

    >>> from .specification import AxleSpecification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> van = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> found = model_axle(van, "front", [AxleDraw(0.72, 0.0, 1.0)] * 19)
    >>> round(found.mean, 3), found.draws
    (0.725, 19)
    """
    corners = [corner for corner in CORNERS_OF[axle] if corner in specification.controlled_corners]
    if not corners:
        raise MetrologyError("axle", axle, "a controlled axle")
    known = specification.axle(corners[0])
    assert known.response_mm_per_count is not None
    assert known.response_sd is not None
    default = Default(known.response_mm_per_count, known.response_sd, SPECIFICATION_DRAWS, SPECIFICATION_FREEDOM)
    return population(
        np.array([draw.estimate for draw in draws]),
        np.array([draw.variance for draw in draws]),
        default,
        np.array([draw.between_factor for draw in draws]),
    )


def prior_from_model(specification: Specification, draws: Mapping[Axle, Sequence[AxleDraw]]) -> ResponsePrior:
    """The prior of a vehicle whose model others have taught; the specification's where none has.

    Standard deviation of a corner: between vehicles, and of the mean; correlations as in the specification's prior but
    for the mean's uncertainty, which both corners of an axle share. `vehicles` is the number of draws of the axle that
    has most.

    Source: predictive distribution of a random-effects model.

    >>> from .specification import AxleSpecification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> van = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> prior = prior_from_model(van, {"front": [AxleDraw(0.72, 0.0, 1.0)] * 19})
    >>> prior.source, prior.vehicles, prior.mean.round(3).tolist()
    ('model', 19, [0.725, 0.725, 0.9, 0.9])
    """
    specified = prior_from_specification(specification)
    mean, covariance = specified.mean.copy(), specified.covariance.copy()
    for axle in AXLES:
        places = [CORNERS.index(c) for c in CORNERS_OF[axle] if c in specification.controlled_corners]
        if not (places and draws.get(axle)):
            continue
        found = model_axle(specification, axle, draws[axle])
        at = np.ix_(places, places)
        correlation = specified.covariance[at] / specified.covariance[places[0], places[0]]
        mean[places] = found.mean
        covariance[at] = found.sd**2 * correlation + found.mean_uncertainty**2
    vehicles = max((len(own) for own in draws.values()), default=0)
    return ResponsePrior(mean, covariance, "model", vehicles) if vehicles else specified


def prior_from_vehicle(
    posterior: JointState, model: ResponsePrior, replaced: Sequence[Corner] = (), vehicles: int = 1
) -> ResponsePrior:
    """The prior of a vehicle that was here before: what it taught then, inflated where an event came since.

    At a corner with an event since, what it taught is taken for nothing: the corner is a new draw of the model, known
    as far as the axle's other corner tells of it. What an earlier job taught about the other corners stays.

    Parameters
    ----------
    posterior : JointState
        Of the vehicle's last job.
    model : ResponsePrior
        Prior of the model (or specification) by which a replaced corner is known.
    replaced : sequence of Corner
        Corners with an event since.

    Source: conditional normal distribution.

    >>> model = ResponsePrior(np.full(4, 0.9), np.eye(4) * 0.0225, "specification")
    >>> taught = JointState(np.full(8, 0.7), np.eye(8) * 1e-4, (100, 100, 100, 100))
    >>> prior = prior_from_vehicle(taught, model, ["FL"])
    >>> prior.source, prior.mean.tolist(), prior.covariance.diagonal().tolist()
    ('vehicle', [0.9, 0.7, 0.7, 0.7], [0.0225, 0.0001, 0.0001, 0.0001])
    """
    new = [i for i, corner in enumerate(CORNERS) if corner in replaced]
    kept = [i for i, corner in enumerate(CORNERS) if corner not in replaced]
    mean, covariance = posterior.responses.copy(), posterior.response_covariance.copy()
    if new:
        across = model.covariance[np.ix_(new, kept)] @ np.linalg.pinv(model.covariance[np.ix_(kept, kept)])
        left = model.covariance[np.ix_(new, new)] - across @ model.covariance[np.ix_(kept, new)]
        known = posterior.response_covariance[np.ix_(kept, kept)]
        mean[new] = model.mean[new] + across @ (posterior.responses[kept] - model.mean[kept])
        covariance[np.ix_(new, new)] = left + across @ known @ across.T
        covariance[np.ix_(new, kept)] = across @ known
        covariance[np.ix_(kept, new)] = (across @ known).T
    return ResponsePrior(mean, covariance, "vehicle", vehicles)
