"""Deciding in a browser: on what was shown, once, with a reason, by somebody who took no part."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from calibration.models import Decision, Ruling
from fleet.models import LedgerEntry, Workshop
from fleet.tenancy import in_workshop
from tests.factories import Site, make_site
from tests.fleet.pages.forms import form_of
from tests.fleet.signin.browsers import browser_of

from .conftest import Asked, asked_in

Browsers = Callable[..., Client]
QUERIES_OF_A_DECISION_PAGE = 40
QUERIES_OF_A_JOB_THAT_WAITS = 20


def decide(browser: Client, path: str, **typed: Any) -> Any:
    return browser.post(path, form_of(browser.get(path)).filled(**typed))


def text_of(answer: Any) -> str:
    return str(answer.content.decode())


def decided_in(asked: Asked) -> list[tuple[str, str, bool]]:
    with in_workshop(asked.site.workshop.pk):
        return list(Decision.objects.values_list("decision", "reason", "self_approved"))


def ruled_in(asked: Asked) -> list[tuple[str, str]]:
    with in_workshop(asked.site.workshop.pk):
        return list(Ruling.objects.values_list("decision", "reason"))


class TestWhatWaits:
    def test_is_listed_with_its_job_and_leads_to_the_decision(self, manager: Client, asked: Asked) -> None:
        page = text_of(manager.get("/approvals/"))
        assert asked.approval_path in page
        assert asked.finding_path in page
        assert asked.bench.vehicle.registration in page
        assert f"job {asked.job.number}" in page

    def test_is_gone_once_decided(self, manager: Client, asked: Asked) -> None:
        decide(manager, asked.approval_path, decision="approve", reason="Looked at the vehicle.")
        page = text_of(manager.get("/approvals/"))
        assert asked.approval_path not in page
        assert asked.finding_path in page

    def test_is_nothing_in_a_new_workshop(self, manager: Client) -> None:
        assert "Nothing waits for a decision." in text_of(manager.get("/approvals/"))

    def test_the_page_says_who_decides(self, manager: Client, site: Site) -> None:
        nobody_alone, alone = "does not decide in it", "on their own work too"
        page = text_of(manager.get("/approvals/"))
        assert (nobody_alone in page, alone in page) == (True, False)
        with in_workshop(site.workshop.pk):
            Workshop.objects.update(single_person=True)
        page = text_of(manager.get("/approvals/"))
        assert (nobody_alone in page, alone in page) == (False, True)

    def test_is_nothing_of_another_workshop(self, asked: Asked) -> None:
        assert asked.approval_path not in text_of(browser_of(make_site().manager).get("/approvals/"))

    def test_a_late_record_waits_too(self, manager: Client, site: Site, asked: Asked) -> None:
        with in_workshop(site.workshop.pk):
            asked.bench.end()
            asked.bench.measure({"FL": 472})
        page = text_of(manager.get("/approvals/"))
        assert "This arrived after the job was closed." in page

    def test_costs_as_many_queries_for_each_job_and_no_more(self, manager: Client, site: Site, asked: Asked) -> None:
        def queries() -> int:
            with CaptureQueriesContext(connection) as captured:
                assert manager.get("/approvals/").status_code == 200
            return len(captured)

        one = queries()
        asked_again(site)
        assert queries() - one <= QUERIES_OF_A_JOB_THAT_WAITS


def asked_again(site: Site) -> None:
    from tests.calibration.bench import COUNTS, Bench

    with in_workshop(site.workshop.pk):
        bench = Bench.open(site)
        bench.ready()
        bench.measure({"FL": 470})
        bench.enter(RR=COUNTS["RR"] + 1)


class TestApproval:
    def test_page_shows_what_is_asked_why_and_what_follows(self, manager: Client, asked: Asked) -> None:
        page = text_of(manager.get(asked.approval_path))
        for words in (
            "tried by hand",
            "121 → <strong>122</strong>",
            "Nothing significant to correct",
            "All corners within tolerance afterwards",
            "Check the headlamp aim.",
            "Follow the manufacturer&#x27;s procedure and local regulations.",
            asked.approval.content_sha256[:12],
        ):
            assert words in page, words

    @pytest.mark.parametrize("decision", ["approve", "refuse"])
    def test_is_decided_with_a_reason_and_shows_by_whom(self, manager: Client, asked: Asked, decision: str) -> None:
        answer = decide(manager, asked.approval_path, decision=decision, reason="Looked at the vehicle.")
        assert (answer.status_code, answer["Location"]) == (302, asked.approval_path)
        assert decided_in(asked) == [(decision, "Looked at the vehicle.", False)]
        page = text_of(manager.get(asked.approval_path))
        assert "Looked at the vehicle." in page
        assert asked.site.manager.membership.name in page
        assert "Record the decision" not in page

    def test_a_named_deputy_decides(self, another: Browsers, asked: Asked) -> None:
        deputy = another("technician", may_approve=True)
        assert decide(deputy, asked.approval_path, decision="approve", reason="Seen.").status_code == 302

    def test_sent_twice_it_is_decided_once(self, manager: Client, asked: Asked) -> None:
        sent = form_of(manager.get(asked.approval_path)).filled(decision="approve", reason="Seen.")
        assert [manager.post(asked.approval_path, sent).status_code for _time in range(2)] == [302, 302]
        assert len(decided_in(asked)) == 1
        with in_workshop(asked.site.workshop.pk):
            assert LedgerEntry.objects.filter(kind="approval_decided").count() == 1

    def test_without_choice_or_reason_it_comes_back_with_what_was_typed(self, manager: Client, asked: Asked) -> None:
        answer = decide(manager, asked.approval_path, reason="Seen.")
        assert answer.status_code == 422
        page = text_of(answer)
        assert "Choose one of the two." in page
        assert "data-error-summary" in page
        assert form_of(answer).values["reason"] == ["Seen."]
        assert "Give your reason" in text_of(decide(manager, asked.approval_path, decision="approve"))
        assert decided_in(asked) == []

    def test_what_was_superseded_meanwhile_is_not_decided(self, manager: Client, asked: Asked) -> None:
        sent = form_of(manager.get(asked.approval_path)).filled(decision="approve", reason="Seen.")
        asked.measured_again()
        answer = manager.post(asked.approval_path, sent)
        assert answer.status_code == 409
        assert "what it was about has been superseded" in text_of(answer)
        assert decided_in(asked) == []

    def test_another_hash_than_that_of_what_is_shown_is_refused_and_the_next_form_carries_it(
        self, manager: Client, asked: Asked
    ) -> None:
        answer = decide(manager, asked.approval_path, decision="approve", reason="Seen.", content_sha256="0" * 64)
        assert answer.status_code == 409
        assert "The record changed since it was shown." in text_of(answer)
        assert form_of(answer).values["reason"] == ["Seen."]
        assert decided_in(asked) == []
        again = manager.post(asked.approval_path, form_of(answer).filled(decision="approve"))
        assert again.status_code == 302
        assert len(decided_in(asked)) == 1

    def test_who_took_part_is_told_that_another_decides(self, site: Site, asked: Asked) -> None:
        with in_workshop(site.workshop.pk):
            asked.bench.measure({"FL": 470}, by=site.manager)
            asked.bench.enter(RR=122)
        with in_workshop(site.workshop.pk):
            approval = asked.bench.standing.open_approval
        assert approval is not None
        page = browser_of(site.manager).get(f"/approvals/{approval.id}/")
        assert "Another person decides here" in text_of(page)
        assert "Record the decision" not in text_of(page)
        forced = browser_of(site.manager).post(
            f"/approvals/{approval.id}/",
            {
                "id": "019b1d2e-0000-7000-8000-00000000000a",
                "content_sha256": approval.content_sha256,
                "decision": "approve",
                "reason": "mine",
            },
        )
        assert forced.status_code == 403
        assert decided_in(asked) == []

    def test_in_a_workshop_of_one_it_is_said_that_one_decides_alone(self, site: Site, asked: Asked) -> None:
        with in_workshop(site.workshop.pk):
            Workshop.objects.update(single_person=True)
            asked.bench.measure({"FL": 470}, by=site.manager)
            asked.bench.enter(RR=122)
            approval = asked.bench.standing.open_approval
        assert approval is not None
        path = f"/approvals/{approval.id}/"
        browser = browser_of(site.manager)
        assert "self-approved" in text_of(browser.get(path))
        assert decide(browser, path, decision="approve", reason="Nobody else is here.").status_code == 302
        assert decided_in(asked) == [("approve", "Nobody else is here.", True)]

    def test_of_a_concession_lays_the_targets_side_by_side(self, manager: Client, site: Site, asked: Asked) -> None:
        with in_workshop(site.workshop.pk):
            concession = asked.bench.concede(500, 518)
            approval = concession.approvals.get()
        page = text_of(manager.get(f"/approvals/{approval.pk}/"))
        for words in ("486.0 mm", "500.0 mm", "14.0 mm", "ferry ramp", "fleet desk"):
            assert words in page, words


class TestRuling:
    def test_page_shows_the_finding_and_what_the_rulings_mean(self, manager: Client, asked: Asked) -> None:
        page = text_of(manager.get(asked.finding_path))
        assert "was measured with after its calibration ran out" in page
        assert "it stands, and the job can only be mended, ended or reverted" in page

    @pytest.mark.parametrize("decision", ["accept", "reject"])
    def test_is_made_with_a_reason(self, manager: Client, asked: Asked, decision: str) -> None:
        answer = decide(manager, asked.finding_path, decision=decision, reason="Checked against the rule.")
        assert (answer.status_code, answer["Location"]) == (302, asked.finding_path)
        assert ruled_in(asked) == [(decision, "Checked against the rule.")]
        page = text_of(manager.get(asked.finding_path))
        assert "Checked against the rule." in page
        assert ("Record the ruling" in page) == (decision == "reject"), "what stands may be ruled on anew"

    def test_sent_twice_it_is_made_once(self, manager: Client, asked: Asked) -> None:
        sent = form_of(manager.get(asked.finding_path)).filled(decision="accept", reason="Checked.")
        assert [manager.post(asked.finding_path, sent).status_code for _time in range(2)] == [302, 302]
        assert len(ruled_in(asked)) == 1

    def test_over_a_record_that_has_changed_it_is_looked_at_again(self, manager: Client, asked: Asked) -> None:
        sent = form_of(manager.get(asked.finding_path)).filled(decision="accept", reason="Checked.")
        asked.note()
        asked.measured_again()
        answer = manager.post(asked.finding_path, sent)
        assert answer.status_code == 409
        assert form_of(answer).values["reason"] == ["Checked."]
        assert ruled_in(asked) == []
        assert manager.post(asked.finding_path, form_of(answer).filled(decision="accept")).status_code == 302

    def test_sent_after_the_session_ended_it_is_filled_in_again_over_what_was_seen(
        self, manager: Client, asked: Asked
    ) -> None:
        manager.get("/choose-workshop/")
        sent = form_of(manager.get(asked.finding_path)).filled(decision="reject", reason="Checked.")
        del manager.cookies["sessionid"]
        led_to = manager.post(asked.finding_path, sent)
        asked.note()
        asked.measured_again()
        person = asked.site.manager
        page = manager.post(led_to["Location"], {"login": person.email, "password": person.password}, follow=True)
        shown = form_of(page).values
        assert (shown["decision"], shown["reason"]) == (["reject"], ["Checked."])
        assert manager.post(asked.finding_path, shown).status_code == 409, "the record has changed since it was seen"
        assert ruled_in(asked) == []

    def test_without_a_choice_it_comes_back(self, manager: Client, asked: Asked) -> None:
        answer = decide(manager, asked.finding_path, reason="Checked.")
        assert answer.status_code == 422
        assert form_of(answer).values["reason"] == ["Checked."]

    def test_a_note_is_not_ruled_on(self, manager: Client, site: Site, asked: Asked) -> None:
        with in_workshop(site.workshop.pk):
            asked.bench.measure({"FL": 470, "FR": 480})
            asked.bench.read_again("FR", 490, 470)
            note = next(each for each in asked.bench.case.findings if each.severity == "note")
        page = text_of(manager.get(f"/findings/{note.pk}/"))
        assert "Record the ruling" not in page


class TestWhoMay:
    @pytest.mark.parametrize("path", ["approvals", "approval_path", "finding_path"])
    def test_nobody_is_led_to_the_sign_in(self, asked: Asked, path: str) -> None:
        address = "/approvals/" if path == "approvals" else getattr(asked, path)
        answer = Client().get(address)
        assert (answer.status_code, answer["Location"]) == (302, f"/sign-in/?next={address}")

    def test_another_workshop_finds_nothing(self, asked: Asked) -> None:
        stranger = browser_of(make_site().manager)
        for path in (asked.approval_path, asked.finding_path):
            assert stranger.get(path).status_code == 404
            assert stranger.post(path, {}).status_code == 404

    @pytest.mark.parametrize(("role", "sees"), [("auditor", 200), ("technician", 200), ("operator_contact", 403)])
    def test_others_may_look_at_most(self, another: Browsers, asked: Asked, role: str, sees: int) -> None:
        fields = {"operator": asked.bench.vehicle.operator_id} if role == "operator_contact" else {}
        browser = another(role, **fields)
        for path in (asked.approval_path, asked.finding_path):
            page = browser.get(path)
            assert page.status_code == sees
            assert 'name="decision"' not in text_of(page)
            assert browser.post(path, {}).status_code == 403
        assert decided_in(asked) == []

    def test_a_form_without_its_token_is_refused(self, asked: Asked) -> None:
        strict = Client(enforce_csrf_checks=True)
        strict.cookies = browser_of(asked.site.manager).cookies
        assert strict.post(asked.approval_path, {"decision": "approve"}).status_code == 403


def test_a_decision_page_costs_as_many_queries_however_long_the_job(manager: Client, asked: Asked) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert manager.get(asked.finding_path).status_code == 200
        return len(captured)

    before = queries()
    assert before <= QUERIES_OF_A_DECISION_PAGE
    for _time in range(3):
        asked.measured_again()
    assert queries() <= before + 2


def test_inches_are_shown_to_whoever_wants_them(manager: Client, site: Site) -> None:
    asked = asked_in(site)
    with in_workshop(site.workshop.pk):
        Workshop.objects.update(length_unit="inch")
    page = text_of(manager.get(asked.approval_path))
    assert "Measured, in" in page
    assert "18.5" in page, "470 mm"
