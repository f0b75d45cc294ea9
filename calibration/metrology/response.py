"""How a vehicle's heights answer to its set-points, learned within a job.

The state of the filter is eight numbers, four heights and four responses. A height in it is the mean settled
height *as this job's marks and this job's instrument show it*. Marks and instrument are common to every round
of the job, so no round of the job can tell anything about them: as a state of their own they would keep their
prior for ever (with a flat prior on the heights the two parametrisations give the same posterior), and in
the differences from which responses are learned they cancel. They are therefore left out of the filter and
come back where a height is stated: see `planner.RoundUncertainty.common_variance_mm2` and the expanded
uncertainty of section 2, which carries them into every verdict.

Between two rounds at unchanged set-points nothing moves. A change of set-points moves the heights by
h += g * change. That line is a model: part of a commanded warp is lost to body stiffness and a sensor arm is
not quite linear, so each move also adds a little variance (`move_variance`).
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .corners import AXLE_OF, CORNERS, Axle, Corner
from .errors import MetrologyError
from .pooling import RoundMeasurement, pool
from .specification import Specification

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]
Counts = tuple[int | None, int | None, int | None, int | None]
"""Set-points in the order of `CORNERS`; None at an uncontrolled corner."""
PriorSource = Literal["specification", "model", "vehicle"]

AXLE_CORRELATION = 0.64
"""Of the responses of one axle: the axle's share of their standard deviation is 0.8, its square 0.64."""
WARP_LOSS_RMS = 0.144
"""Root mean square of the share of a commanded warp that the body keeps back (0 to 25 %, uniform: 0.25/√3)."""
MOVE_NONLINEARITY_SD = 0.02
"""Share of a corner's move by which a sensor arm departs from a straight line, as a standard deviation."""
UNKNOWN_HEIGHT_VARIANCE_MM2 = 1.0e6
"""A height about which nothing is known: a standard deviation of one metre."""

SIDE_SIGNS: dict[Axle, Vector] = {"front": np.array([1.0, -1.0, 0.0, 0.0]), "rear": np.array([0.0, 0.0, 1.0, -1.0])}
"""Left minus right: the difference of an axle's sides is its product with four heights."""
WARP_SIGNS: Vector = np.array([1.0, -1.0, -1.0, 1.0])
"""The warp mode: a quarter of its product with four moves is the part of the move that is warp, at each corner."""


@dataclass(frozen=True, slots=True, eq=False)
class ResponsePrior:
    """What is believed about the four responses before the job's first round.

    `mean` mm per count, shape (4,); `covariance`, shape (4, 4). Uncontrolled corners have mean and variance
    0. `source` says where it comes from and `vehicles` from how many vehicles (0 for a specification). Priors
    learned from the vehicle itself or its model are further makers of this class.
    """

    mean: Vector
    covariance: Matrix
    source: PriorSource
    vehicles: int = 0


@dataclass(frozen=True, slots=True)
class SettledRound:
    """One settled round at normal ride position, at the set-points that were stored while it was measured.

    `heights_mm` are the round's values per corner; `variances_mm2` the squared standard uncertainty of what
    is this round's own: repeatability of the mean (or median) of its readings, settling, resolution.
    """

    heights_mm: tuple[float, float, float, float]
    variances_mm2: tuple[float, float, float, float]
    setpoints: Counts


@dataclass(frozen=True, slots=True)
class StoredSetpoints:
    """A write: the set-points as read back afterwards."""

    setpoints: Counts


@dataclass(frozen=True, slots=True)
class CornerEvent:
    """Something happened to the vehicle: no height is known any more, and nothing of how these corners answered.

    A sensor, spring, damper, linkage or leak event names its corner; a control unit all four; what ends the pool
    of rounds without touching a corner's parts names none. What was measured before at the corners named teaches
    nothing, not even of the other corner of the axle: the fault may have been in the part that went.
    """

    corners: tuple[Corner, ...]


HistoryItem = SettledRound | StoredSetpoints | CornerEvent


@dataclass(frozen=True, slots=True, eq=False)
class JointState:
    """Posterior of heights and responses: `mean` shape (8,), `covariance` shape (8, 8), heights first."""

    mean: Vector
    covariance: Matrix
    setpoints: Counts

    @property
    def heights_mm(self) -> Vector:
        """Heights, shape (4,)."""
        return self.mean[:4]

    @property
    def responses(self) -> Vector:
        """Responses in mm per count, shape (4,)."""
        return self.mean[4:]

    @property
    def height_covariance(self) -> Matrix:
        """Shape (4, 4), mm²."""
        return self.covariance[:4, :4]

    @property
    def response_covariance(self) -> Matrix:
        """Shape (4, 4), (mm per count)²."""
        return self.covariance[4:, 4:]

    @property
    def height_response_covariance(self) -> Matrix:
        """Heights along the rows, responses along the columns; shape (4, 4), mm² per count."""
        return self.covariance[:4, 4:]


@dataclass(frozen=True, slots=True, eq=False)
class Move:
    """A change of set-points with the settled rounds before and after it, for `suspicion`.

    `before` is the state just before the change; `changes` the counts; `measured_mm` and
    `measured_variance_mm2` the inverse-variance weighted mean of the rounds since (shape (4,)),
    `rounds_after` how many those are.
    `voided` are corners at which something was replaced since: they say nothing any more.
    """

    before: JointState
    changes: tuple[int, int, int, int]
    measured_mm: Vector
    measured_variance_mm2: Vector
    rounds_after: int
    voided: tuple[Corner, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class JobPosterior:
    """What the job's rounds and writes have taught: the state at the set-points now stored, and every move."""

    state: JointState
    moves: tuple[Move, ...]
    prior: ResponsePrior


def prior_from_specification(specification: Specification) -> ResponsePrior:
    """The prior of a vehicle about which only its specification is known (design: section 5).

    Mean and standard deviation per axle in mm per count, correlation 0.64 between the two corners of an axle,
    1 between linked corners (one sensor has one response), 0 between axles.

    >>> from .specification import AxleSpecification, Specification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> van = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> prior = prior_from_specification(van)
    >>> prior.mean.tolist(), round(float(prior.covariance[0, 1]), 4), float(prior.covariance[0, 2])
    ([0.9, 0.9, 0.9, 0.9], 0.0144, 0.0)
    """
    controlled = [corner in specification.controlled_corners for corner in CORNERS]
    axles = [specification.axle(corner) for corner in CORNERS]
    mean = np.array([float(a.response_mm_per_count or 0.0) for a in axles]) * controlled
    sd = np.array([float(a.response_sd or 0.0) for a in axles]) * controlled
    return ResponsePrior(mean, np.outer(sd, sd) * _correlation(specification), "specification")


def follow_job(prior: ResponsePrior, history: Sequence[HistoryItem]) -> JobPosterior:
    """Posterior of heights and responses after a job's rounds, writes and events, in the order they happened.

    A Kalman filter with exact flat prior on the heights; for one write it is the generalised least squares
    estimate (tested against it). Units mm and counts. Raises MetrologyError when there is no settled round,
    or when a write or event precedes the first one (leave those out: nothing was measured before them).

    >>> prior = ResponsePrior(np.full(4, 0.9), np.eye(4) * 0.15**2, "specification")
    >>> before = SettledRound((480, 486, 504, 504), (1.0, 1.0, 1.0, 1.0), (100, 100, 100, 100))
    >>> after = SettledRound((486, 486, 504, 504), (1.0, 1.0, 1.0, 1.0), (110, 100, 100, 100))
    >>> posterior = follow_job(prior, [before, StoredSetpoints((110, 100, 100, 100)), after])
    >>> posterior.state.responses.round(3).tolist()
    [0.746, 0.9, 0.9, 0.9]
    """
    if not history or not isinstance(history[0], SettledRound):
        raise MetrologyError("history", list(history[:1]), "a settled round as its first item")
    first, *rest = _without_overtaken(history)
    assert isinstance(first, SettledRound)  # looked at above
    filtering = _JobFilter(prior, first)
    for item in rest:
        filtering.take(item)
    return filtering.posterior()


def _without_overtaken(history: Sequence[HistoryItem]) -> list[HistoryItem]:
    """The history with no knowledge of the heights that a later event at their corner overtook."""
    overtaken: set[Corner] = set()
    kept: list[HistoryItem] = []
    for item in reversed(history):
        if isinstance(item, CornerEvent):
            overtaken |= set(item.corners)
        kept.append(_with_unknown(item, overtaken) if isinstance(item, SettledRound) else item)
    return kept[::-1]


def _with_unknown(measured: SettledRound, corners: Set[Corner]) -> SettledRound:
    a, b, c, d = (
        UNKNOWN_HEIGHT_VARIANCE_MM2 if corner in corners else variance
        for corner, variance in zip(CORNERS, measured.variances_mm2, strict=True)
    )
    return replace(measured, variances_mm2=(a, b, c, d))


def settled_round(measured: RoundMeasurement, settling_mm: float, setpoints: Counts) -> SettledRound:
    """A measured round as the filter takes it: values, and the squared uncertainty that is this round's own.

    >>> from .readings import PRIOR_REPEATABILITY
    >>> from .uncertainty import Instrument
    >>> tape = Instrument("T1", 1.0, "II")
    >>> measured = RoundMeasurement(((486.0, 487.0),) * 4, PRIOR_REPEATABILITY, (tape,))
    >>> found = settled_round(measured, 1.5, (100, 100, 100, 100))
    >>> found.heights_mm[0], round(found.variances_mm2[0], 3)
    (486.5, 1.333)
    """
    pooled = pool([measured], settling_mm)
    a, b, c, d = (each.mean_mm for each in pooled)
    e, f, g, h = (
        sum(part.standard_uncertainty_mm**2 for part in each.budget.components if not part.common_to_rounds)
        for each in pooled
    )
    return SettledRound((a, b, c, d), (e, f, g, h), setpoints)


def move_variance(expected_moves_mm: Vector) -> Matrix:
    """Variance that a move adds to the heights, (4, 4), mm².

    No published source: sized by the range of body stiffness and arm length that the design names.
    The lost part of a commanded warp acts on all four corners along the warp mode; the sensor arm's
    departure from a straight line acts on each corner alone.

    >>> move_variance(np.full(4, 5.0)).diagonal().round(6).tolist()
    [0.01, 0.01, 0.01, 0.01]
    """
    warp_mm = float(WARP_SIGNS @ expected_moves_mm) / 4.0
    lost = (WARP_LOSS_RMS * warp_mm) ** 2 * np.outer(WARP_SIGNS, WARP_SIGNS)
    return lost + np.diag((MOVE_NONLINEARITY_SD * expected_moves_mm) ** 2)


def counts_changed(before: Counts, after: Counts) -> tuple[int, int, int, int]:
    """Change per corner, 0 where a corner is uncontrolled.

    >>> counts_changed((100, 100, None, None), (110, 95, None, None))
    (10, -5, 0, 0)
    """
    changes = [0 if a is None or b is None else b - a for a, b in zip(before, after, strict=True)]
    return changes[0], changes[1], changes[2], changes[3]


def _correlation(specification: Specification) -> Matrix:
    """Correlation matrix of the four responses."""
    correlation = np.eye(4)
    for i, first in enumerate(CORNERS):
        for j, second in enumerate(CORNERS):
            if first == second or specification.linked_with(first) == second:
                correlation[i, j] = 1.0
            elif AXLE_OF[first] == AXLE_OF[second]:
                correlation[i, j] = AXLE_CORRELATION
    return correlation


class _JobFilter:
    """The running state of `follow_job`; private, so that callers only ever hold frozen results."""

    def __init__(self, prior: ResponsePrior, first: SettledRound) -> None:
        mean = np.concatenate([np.array(first.heights_mm, dtype=np.float64), prior.mean])
        covariance = np.zeros((8, 8))
        covariance[:4, :4] = np.diag(np.array(first.variances_mm2, dtype=np.float64))
        covariance[4:, 4:] = prior.covariance
        self.prior = prior
        self.state = JointState(mean, covariance, first.setpoints)
        self.moves: list[Move] = []

    def posterior(self) -> JobPosterior:
        return JobPosterior(self.state, tuple(self.moves), self.prior)

    def take(self, item: HistoryItem) -> None:
        match item:
            case SettledRound():
                self._shift(item.setpoints)
                self._measure(item)
            case StoredSetpoints():
                self._shift(item.setpoints)
            case CornerEvent():
                self._forget(item.corners)

    def _shift(self, setpoints: Counts) -> None:
        changes = counts_changed(self.state.setpoints, setpoints)
        if not any(changes):
            return
        self._note_move(changes)
        transition = np.eye(8)
        transition[:4, 4:] = np.diag(np.array(changes, dtype=np.float64))
        covariance = transition @ self.state.covariance @ transition.T
        covariance[:4, :4] += move_variance(self.state.responses * np.array(changes))
        self.state = JointState(transition @ self.state.mean, covariance, setpoints)

    def _note_move(self, changes: tuple[int, int, int, int]) -> None:
        """Two writes with no round between them are one move."""
        before = self.state
        if self.moves and self.moves[-1].rounds_after == 0:
            last = self.moves.pop()
            before = last.before
            a, b, c, d = (x + y for x, y in zip(last.changes, changes, strict=True))
            changes = (a, b, c, d)
        self.moves.append(Move(before, changes, np.zeros(4), np.full(4, np.inf), 0))

    def _measure(self, measured: SettledRound) -> None:
        heights = np.array(measured.heights_mm, dtype=np.float64)
        noise = np.diag(np.array(measured.variances_mm2, dtype=np.float64))
        mean, covariance = self.state.mean, self.state.covariance
        gain = np.linalg.solve(covariance[:4, :4] + noise, covariance[:4, :]).T
        keep = np.eye(8)
        keep[:, :4] -= gain
        # Joseph's form: stays symmetric and non-negative where a linked pair makes the covariance singular.
        covariance = keep @ covariance @ keep.T + gain @ noise @ gain.T
        self.state = JointState(mean + gain @ (heights - mean[:4]), covariance, self.state.setpoints)
        if self.moves:
            self.moves[-1] = _pooled_into(self.moves[-1], heights, noise.diagonal())

    def _forget(self, corners: tuple[Corner, ...]) -> None:
        """Heights are unknown anew. Responses stay: what an event overtakes was left out from the start."""
        covariance = self.state.covariance.copy()
        covariance[:4, :] = covariance[:, :4] = 0.0
        covariance[:4, :4] = np.eye(4) * UNKNOWN_HEIGHT_VARIANCE_MM2
        self.state = JointState(self.state.mean, covariance, self.state.setpoints)
        self.moves = [
            replace(move, voided=tuple(c for c in CORNERS if c in {*move.voided, *corners})) for move in self.moves
        ]


def _pooled_into(move: Move, heights: Vector, variances: Vector) -> Move:
    """The move with one more round after it, weighted by inverse variance."""
    weight = np.where(np.isinf(move.measured_variance_mm2), 0.0, 1.0 / move.measured_variance_mm2)
    total = weight + 1.0 / variances
    pooled = (weight * move.measured_mm + heights / variances) / total
    return replace(move, measured_mm=pooled, measured_variance_mm2=1.0 / total, rounds_after=move.rounds_after + 1)
