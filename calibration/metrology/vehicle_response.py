"""What a vehicle's visits have taught of its responses, and what a job may take for known when it opens.

A vehicle's visits are followed one after another, each beginning with what those before it taught. They are followed
with the specification's prior, whatever the model was known to be like at the time; that is taken out again where the
model's takes its place, so that what a vehicle taught itself never depends on what others did.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .corners import Corner
from .model_response import LEAST_INFORMATION, prior_from_vehicle
from .response import (
    UNKNOWN_HEIGHT_VARIANCE_MM2,
    HistoryItem,
    JointState,
    ResponsePrior,
    follow_job,
    prior_from_specification,
)
from .specification import Specification

Matrix = NDArray[np.float64]

SINGULAR = 1e-9
"""Share of the largest eigenvalue below which one is zero: linked corners vary together, uncontrolled ones not."""


@dataclass(frozen=True, slots=True)
class Visit:
    """One job of the vehicle, for what it teaches.

    `history` is what the filter takes, empty where nothing was judged; `renewed` the corners at which something was
    replaced or repaired since the visit before, or in this one; `distrusted` those that were under suspicion at its
    end: how a seized linkage answered says nothing of how the corner will.
    """

    history: tuple[HistoryItem, ...]
    renewed: tuple[Corner, ...] = ()
    distrusted: tuple[Corner, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class KnownBefore:
    """What is known when a job opens: of vehicles like it, and of itself where it was here before."""

    model: ResponsePrior
    vehicle: ResponsePrior | None = None


def taught_by_visits(
    specification: Specification, visits: Sequence[Visit], renewed_since: Sequence[Corner] = ()
) -> ResponsePrior:
    """What a vehicle's visits have taught, in their order; the specification's prior where they taught nothing.

    Parameters
    ----------
    specification : Specification
        Of the last visit; all visits' set-points count alike.
    visits : sequence of Visit
    renewed_since : sequence of Corner
        Corners with an event after the last visit.

    Returns
    -------
    ResponsePrior
        Mean in mm per count, shape (4,), and covariance, shape (4, 4).

    Source: `follow_job`, one after another; `prior_from_vehicle` for corners with an event.

    >>> from .response import SettledRound, StoredSetpoints
    >>> from .specification import AxleSpecification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> van = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> before = SettledRound((480, 486, 504, 504), (1.0,) * 4, (100, 100, 100, 100))
    >>> after = SettledRound((486, 486, 504, 504), (1.0,) * 4, (110, 100, 100, 100))
    >>> visit = Visit((before, StoredSetpoints((110, 100, 100, 100)), after))
    >>> found = taught_by_visits(van, [visit, Visit(())])
    >>> found.source, bool(found.mean[0] < 0.8), float(round(found.mean[2], 3))
    ('vehicle', True, 0.9)
    >>> taught_by_visits(van, [visit], ["FL", "FR"]).source
    'specification'
    """
    specified = prior_from_specification(specification)
    known = specified
    for visit in visits:
        known = _renewed(known, specified, visit.renewed)
        if visit.history:
            state = follow_job(known, visit.history).state
            known = ResponsePrior(state.responses, state.response_covariance, "vehicle", 1)
        known = _renewed(known, specified, visit.distrusted)
    known = _renewed(known, specified, renewed_since)
    return known if _says_more(known, specified) else specified


def known_before(specification: Specification, taught: ResponsePrior, model: ResponsePrior) -> KnownBefore:
    """What a job starts from: the vehicle's own teaching on top of what others of its model taught.

    >>> from .specification import AxleSpecification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> van = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> specified = prior_from_specification(van)
    >>> known_before(van, specified, specified).vehicle is None
    True
    """
    specified = prior_from_specification(specification)
    if not _says_more(taught, specified):
        return KnownBefore(model)
    return KnownBefore(model, with_other_prior(taught, specified, model))


def prior_for_job(known: KnownBefore, renewed: Sequence[Corner] = ()) -> ResponsePrior:
    """The prior of a job in which something was replaced at some corners: there it knows the model only.

    >>> model = ResponsePrior(np.full(4, 0.9), np.eye(4) * 0.0225, "model", 14)
    >>> own = ResponsePrior(np.full(4, 0.7), np.eye(4) * 1e-4, "vehicle", 1)
    >>> [prior_for_job(KnownBefore(model, own), corners).source for corners in ([], ["FL"], ["FL", "FR", "RL", "RR"])]
    ['vehicle', 'vehicle', 'model']
    """
    if known.vehicle is None:
        return known.model
    prior = _renewed(known.vehicle, known.model, renewed)
    return prior if _says_more(prior, known.model) else known.model


def with_other_prior(posterior: ResponsePrior, before: ResponsePrior, instead: ResponsePrior) -> ResponsePrior:
    """The posterior that the same observations give with another prior, its source and vehicles kept.

    All three control the same corners and link the same ones.

    Source: Bayes' theorem for normal distributions.

    >>> before = ResponsePrior(np.full(4, 0.9), np.eye(4) * 0.02, "specification")
    >>> posterior = ResponsePrior(np.full(4, 0.8), np.eye(4) * 0.01, "vehicle", 1)
    >>> instead = ResponsePrior(np.full(4, 0.7), np.eye(4) * 0.02, "model", 9)
    >>> found = with_other_prior(posterior, before, instead)
    >>> found.mean.round(6).tolist(), found.covariance.diagonal().round(6).tolist()
    ([0.7, 0.7, 0.7, 0.7], [0.01, 0.01, 0.01, 0.01])
    """
    after, assumed, other = (_inverse(each.covariance) for each in (posterior, before, instead))
    covariance = _inverse(after - assumed + other)
    mean = covariance @ (after @ posterior.mean - assumed @ before.mean + other @ instead.mean)
    return ResponsePrior(mean, covariance, posterior.source, posterior.vehicles)


def as_state(prior: ResponsePrior) -> JointState:
    """Responses alone as a state: no height and no set-point is known.

    >>> prior = ResponsePrior(np.full(4, 0.9), np.eye(4) * 0.0225, "specification")
    >>> as_state(prior).responses.tolist()
    [0.9, 0.9, 0.9, 0.9]
    """
    covariance = np.zeros((8, 8))
    covariance[:4, :4] = np.eye(4) * UNKNOWN_HEIGHT_VARIANCE_MM2
    covariance[4:, 4:] = prior.covariance
    return JointState(np.concatenate([np.zeros(4), prior.mean]), covariance, (None, None, None, None))


def _renewed(known: ResponsePrior, otherwise: ResponsePrior, corners: Sequence[Corner]) -> ResponsePrior:
    return prior_from_vehicle(as_state(known), otherwise, corners) if corners else known


def _says_more(prior: ResponsePrior, than: ResponsePrior) -> bool:
    """Whether it is noticeably surer of any corner's response."""
    return bool(np.any(np.diag(prior.covariance) < (1.0 - LEAST_INFORMATION) * np.diag(than.covariance)))


def _inverse(symmetric: Matrix) -> Matrix:
    return np.asarray(np.linalg.pinv(symmetric, rcond=SINGULAR, hermitian=True), dtype=np.float64)
