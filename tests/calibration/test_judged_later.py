"""Height checks that came before any specification of their day: judged by the first one recorded that is in force on
it, for all to see that it came later, and nothing that is stored changes.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from calibration.api.check_documents import findings_of
from calibration.metrology.drift_series import Measured
from calibration.models import DriftSeries, HeightCheck
from calibration.rules.finding_kinds import HEIGHT_NOT_CONFIRMED, JUDGED_LATER, NOT_JUDGED_YET
from calibration.selectors.drift_series import series_of
from calibration.selectors.height_checks import MeasuredHeightCheck, height_checks_of
from calibration.services import drift
from calibration.services.height_checks import check_reading_strike
from fleet.errors import Invalid
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem, Specification, Vehicle, VehicleModel
from fleet.services import specification_add, vehicle_update
from reports.tasks import evaluate_drift_of_model
from tests.calibration.test_drift_respecified import FRONT_HIGHER
from tests.calibration.test_drift_states import agrees_with_replay, bring_up_to_date
from tests.calibration.test_height_checks import heights, record
from tests.factories import SPECIFICATION, Site

LONG_AGO = date(2020, 1, 1)
OF_VERDICTS = {NOT_JUDGED_YET, JUDGED_LATER, HEIGHT_NOT_CONFIRMED}


def days_ago(days: float) -> datetime:
    return timezone.now() - timedelta(days=days)


@pytest.fixture
def model(site: Site) -> VehicleModel:
    """Without any specification."""
    return site.vehicle_model()


@pytest.fixture
def vehicle(site: Site, model: VehicleModel) -> Vehicle:
    return site.vehicle(vehicle_model=model)


def specify(site: Site, model: VehicleModel, at: datetime, **changes: Any) -> Specification:
    """Record a revision at a time; in force for long unless told otherwise."""
    content = {**SPECIFICATION, "effective_from": LONG_AGO, **changes}
    return specification_add(
        actor=site.manager.actor(at), record_id=new_id(), vehicle_model=model, specification=content
    )


def only(vehicle: Vehicle, as_of: datetime | None = None) -> MeasuredHeightCheck:
    (found,) = height_checks_of(vehicle, as_of)
    return found


def said(measured: MeasuredHeightCheck) -> dict[str, str]:
    """What its findings say of its verdict."""
    return {each["code"]: each["detail"] for each in findings_of(measured) if each["code"] in OF_VERDICTS}


class TestItsVerdict:
    def test_says_why_there_is_none_and_what_to_do(self, site: Site, vehicle: Vehicle) -> None:
        found = record(site, vehicle, at=days_ago(9))

        assert (found.is_waiting, found.is_fitted, found.result["verdict"]) == (True, False, None)
        (detail,) = said(found).values()
        assert "No specification of the vehicle model is in force on the day of this check" in detail
        assert "a manager records a revision" in detail

    def test_is_not_missed_where_the_load_is_another(self, site: Site, vehicle: Vehicle) -> None:
        found = record(site, vehicle, at=days_ago(9), loading="other")
        assert not found.is_waiting
        assert said(found) == {}

    def test_comes_from_the_revision_recorded_later_and_says_so(
        self, site: Site, vehicle: Vehicle, model: VehicleModel
    ) -> None:
        record(site, vehicle, at=days_ago(9), readings=heights(FL=498))
        revision = specify(site, model, days_ago(2))

        found = only(vehicle)
        assert (found.revision, found.result["verdict"], found.is_fitted) == (revision, "outside", True)
        assert found.corners["FL"].deviation_mm == 12.0
        (detail,) = said(found).values()
        assert "It is judged by revision 1, in force from" in detail

    def test_changes_nothing_that_is_stored(self, site: Site, vehicle: Vehicle, model: VehicleModel) -> None:
        before = record(site, vehicle, at=days_ago(9)).check
        entry = LedgerEntry.objects.filter(vehicle=vehicle).latest("sequence")
        specify(site, model, days_ago(2))
        bring_up_to_date(site, vehicle)

        after = HeightCheck.objects.get()
        assert only(vehicle).result["verdict"] == "within"
        assert (after.specification_id, after.result) == (None, before.result)
        assert LedgerEntry.objects.filter(vehicle=vehicle).latest("sequence") == entry

    def test_waits_for_a_revision_that_is_in_force_on_its_day(
        self, site: Site, vehicle: Vehicle, model: VehicleModel
    ) -> None:
        record(site, vehicle, at=days_ago(9))
        specify(site, model, days_ago(2), effective_from=days_ago(4).date())
        assert only(vehicle).is_waiting
        backdated = specify(site, model, days_ago(1), effective_from=days_ago(20).date())
        assert only(vehicle).revision == backdated

    def test_stays_that_of_the_first_whatever_is_recorded_after_it(
        self, site: Site, vehicle: Vehicle, model: VehicleModel
    ) -> None:
        record(site, vehicle, at=days_ago(9))
        first = specify(site, model, days_ago(3), effective_from=days_ago(30).date())
        specify(site, model, days_ago(2), effective_from=days_ago(15).date(), **FRONT_HIGHER)

        assert only(vehicle).revision == first
        assert record(site, vehicle, at=days_ago(1), taken_at=days_ago(8)).check.specification != first

    def test_of_a_check_that_was_judged_at_once_stays_too(
        self, site: Site, vehicle: Vehicle, model: VehicleModel
    ) -> None:
        first = specify(site, model, days_ago(20))
        record(site, vehicle, at=days_ago(9))
        specify(site, model, days_ago(2), **FRONT_HIGHER)

        found = only(vehicle)
        assert (found.later, found.revision, said(found)) == (None, first, {})

    def test_comes_with_the_model_where_the_vehicle_gets_another(
        self, site: Site, vehicle: Vehicle, model: VehicleModel
    ) -> None:
        record(site, vehicle, at=days_ago(9))
        right = site.vehicle_model()
        specify(site, right, days_ago(30), effective_from=days_ago(40).date())
        last = specify(site, right, days_ago(25), effective_from=days_ago(30).date())
        changed = vehicle_update(
            actor=site.manager.actor(days_ago(2)),
            vehicle_id=vehicle.pk,
            expected_versions=[vehicle.version],
            changes={"vehicle_model": right.pk},
        )

        found = only(changed)
        assert found.revision == last, "of those in force on its day the one that took effect last"
        assert found.later is not None
        assert found.later.known_at == changed.vehicle_model_since
        assert only(changed, days_ago(3)).is_waiting

    def test_was_not_known_before_the_revision_was(self, site: Site, vehicle: Vehicle, model: VehicleModel) -> None:
        record(site, vehicle, at=days_ago(9))
        specify(site, model, days_ago(2))
        assert [only(vehicle, days_ago(days)).result["verdict"] for days in (3, 1)] == [None, "within"]


class TestItsDrift:
    def test_is_asked_for_and_follows_as_if_it_had_been_judged_at_once(
        self, site: Site, vehicle: Vehicle, model: VehicleModel
    ) -> None:
        record(site, vehicle, at=days_ago(9), readings=heights(FL=490))
        bring_up_to_date(site, vehicle)
        assert not DriftSeries.objects.exists()
        OutboxItem.objects.all().delete()

        specify(site, model, days_ago(2))
        (asked,) = OutboxItem.objects.filter(kind="fleet.specification_in_force")
        evaluate_drift_of_model(site.manager.actor(), asked.payload)
        assert [each.payload for each in OutboxItem.objects.filter(kind=drift.CHANGED_KIND)] == [
            {"vehicle": str(vehicle.pk)}
        ]
        bring_up_to_date(site, vehicle)
        told = [each for each in series_of(vehicle).observations if isinstance(each, Measured)]
        assert [each.height_mm for each in told] == [(490, 486, 504, 504)]
        assert agrees_with_replay(vehicle)
        assert DriftSeries.objects.get().due_day > 0

    def test_takes_it_in_before_what_was_judged_already(
        self, site: Site, vehicle: Vehicle, model: VehicleModel
    ) -> None:
        record(site, vehicle, at=days_ago(20), readings=heights(FL=490))
        specify(site, model, days_ago(10), effective_from=days_ago(12).date())
        record(site, vehicle, at=days_ago(9), readings=heights(FL=491))
        bring_up_to_date(site, vehicle)
        specify(site, model, days_ago(2), effective_from=days_ago(30).date())
        bring_up_to_date(site, vehicle)

        told = [each for each in series_of(vehicle).observations if isinstance(each, Measured)]
        assert [each.height_mm[0] for each in told] == [490, 491]
        assert agrees_with_replay(vehicle)

    def test_was_nothing_as_of_a_time_before(self, site: Site, vehicle: Vehicle, model: VehicleModel) -> None:
        record(site, vehicle, at=days_ago(9))
        specify(site, model, days_ago(2))
        assert series_of(vehicle, days_ago(3)).observations == []
        assert len(series_of(vehicle, days_ago(1)).observations) > 0


class TestAHeightThatNobodyWasAskedAbout:
    @pytest.fixture
    def far(self, site: Site, vehicle: Vehicle, model: VehicleModel) -> MeasuredHeightCheck:
        """In centimetres, by somebody whom nothing told better."""
        record(site, vehicle, at=days_ago(9), readings=heights(FL=48.6), person=site.technician)
        specify(site, model, days_ago(2))
        return only(vehicle)

    def strike(self, site: Site, far: MeasuredHeightCheck, **replacement: Any) -> None:
        check_reading_strike(
            actor=site.manager.actor(days_ago(1)),
            record_id=new_id(),
            reading_id=far.readings[0].pk,
            reason="It was in centimetres.",
            replacement=replacement,
        )

    def test_is_shown_and_tells_nothing_of_drift(self, vehicle: Vehicle, far: MeasuredHeightCheck) -> None:
        assert (far.result["verdict"], far.is_fitted) == ("outside", False)
        assert "48.6 mm is far from the target of 486" in said(far)["height_not_confirmed"]
        assert not any(isinstance(each, Measured) for each in series_of(vehicle).observations)

    @pytest.mark.parametrize(
        ("replacement", "verdict"),
        [
            ({"height_mm": Decimal(486)}, "within"),
            ({"height_mm": Decimal("48.6"), "confirmed": True}, "outside"),
        ],
    )
    def test_counts_once_somebody_has_said_what_is_right(
        self, site: Site, vehicle: Vehicle, far: MeasuredHeightCheck, replacement: dict[str, Any], verdict: str
    ) -> None:
        self.strike(site, far, **replacement)
        found = only(vehicle)
        assert (found.result["verdict"], found.is_fitted) == (verdict, True)
        assert "height_not_confirmed" not in said(found)

    def test_is_asked_about_again_where_its_replacement_is_as_far(self, site: Site, far: MeasuredHeightCheck) -> None:
        with pytest.raises(Invalid) as refused:
            self.strike(site, far, height_mm=Decimal("48.6"))
        assert [each.code for each in refused.value.errors] == ["confirm_height"]

    def test_that_was_confirmed_when_it_came_counts(self, site: Site, vehicle: Vehicle, model: VehicleModel) -> None:
        readings = [{**each, "confirmed": True} for each in heights(FL=300)]
        record(site, vehicle, at=days_ago(9), readings=readings)
        specify(site, model, days_ago(2))
        assert only(vehicle).is_fitted
