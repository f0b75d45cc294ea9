"""The looks in Chromium: for everybody, in every theme, at every size, by finger, by keyboard, on paper."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from tests.browser.fixtures import PagesOpened
from tests.browser.seen import (
    axe_findings,
    open_all,
    pressable_places,
    sideways_px,
    sticking_out,
    tabbed_through,
    targets,
)

BENCH = ("/looks/bench/", "/looks/bench-result/", "/looks/bench/?hand=left")
DESK = ("/looks/", "/looks/errors/", "/looks/worksheet/", "/verify/")
PAGES = (*DESK, *BENCH)
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
ENLARGED: dict[str, Any] = {"viewport": {"width": 320, "height": 256}}
"""1280 by 1024 enlarged fourfold (WCAG 2.2, 1.4.10)."""


class TestForEverybody:
    @pytest.mark.parametrize("theme", ["light", "dark"])
    @pytest.mark.parametrize("path", PAGES)
    def test_axe_finds_nothing(self, open_page: PagesOpened, path: str, theme: str) -> None:
        page = open_page(path, color_scheme=theme)
        assert axe_findings(page) == []
        open_all(page)
        assert axe_findings(page) == []

    @pytest.mark.parametrize("theme", ["light", "dark"])
    def test_axe_finds_nothing_on_any_answer_about_a_certificate(
        self, open_page: PagesOpened, codes: dict[str, str], theme: str
    ) -> None:
        for state, code in codes.items():
            page = open_page(f"/verify/{code}", color_scheme=theme)
            assert state in page.locator(".notice-word").inner_text().lower()
            assert axe_findings(page) == []

    @pytest.mark.parametrize(
        ("seeded", "rule"),
        [
            ("document.querySelector('label.field-label').remove()", "label"),
            ("document.querySelector('.field-hint').style.color = '#c8d0d6'", "color-contrast"),
            (
                "const bar = document.querySelector('svg[role=img]'); "
                "bar.removeAttribute('aria-labelledby'); bar.querySelector('title').remove()",
                "svg-img-alt",
            ),
            ("document.documentElement.removeAttribute('lang')", "html-has-lang"),
        ],
    )
    def test_axe_would_find_a_fault(self, open_page: PagesOpened, seeded: str, rule: str) -> None:
        page = open_page("/looks/")
        page.evaluate(seeded)
        assert any(finding.startswith(rule + ":") for finding in axe_findings(page))

    def test_a_chosen_theme_overrules_the_devices(self, open_page: PagesOpened) -> None:
        def ground(path: str, scheme: str) -> str:
            page = open_page(path, color_scheme=scheme)
            found: str = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
            return found

        light, dark = ground("/looks/", "light"), ground("/looks/", "dark")
        assert light != dark
        assert ground("/looks/?theme=light", "dark") == light
        assert ground("/looks/?theme=dark", "light") == dark

    @pytest.mark.parametrize("path", PAGES)
    def test_with_colours_of_the_readers_own_marks_and_borders_remain(self, open_page: PagesOpened, path: str) -> None:
        page = open_page(path, forced_colors="active")
        assert page.evaluate("matchMedia('(forced-colors: active)').matches")
        borderless = page.eval_on_selector_all(
            ".button, .notice, .cautions, .state, .field-entry > *",
            """all => all.filter(each => each.checkVisibility()).filter(each => {
                const { borderLeftWidth, borderRightWidth } = getComputedStyle(each);
                return Math.max(parseFloat(borderLeftWidth), parseFloat(borderRightWidth)) < 1;
            }).map(each => each.outerHTML.slice(0, 80))""",
        )
        assert borderless == []
        canvas = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        fills = page.eval_on_selector_all(".mark", "all => all.map(each => getComputedStyle(each).stroke)")
        assert canvas not in fills


class TestByKeyboard:
    @pytest.mark.parametrize("path", PAGES)
    def test_tab_reaches_everything_in_order_and_shows_where_it_is(self, open_page: PagesOpened, path: str) -> None:
        page = open_page(path)
        reached = tabbed_through(page)
        expected = pressable_places(page)
        assert expected == {focus.place: focus.name for focus in reached if focus.place in expected}
        assert [focus.place for focus in reached] == sorted(focus.place for focus in reached)
        assert [focus.name for focus in reached if not focus.is_visible] == []

    @pytest.mark.parametrize("path", BENCH)
    def test_nothing_that_has_the_focus_lies_behind_the_bar(self, open_page: PagesOpened, path: str) -> None:
        """WCAG 2.2, 2.4.11."""
        page = open_page(path, viewport={"width": 390, "height": 700}, reduced_motion="reduce")
        open_all(page)
        assert page.evaluate("document.documentElement.scrollHeight > innerHeight"), "there is something to hide"
        assert [focus.name for focus in tabbed_through(page) if focus.is_covered] == []

    def test_what_the_keyboard_cannot_reach_would_be_found(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/")
        page.evaluate("document.querySelector('main .button').tabIndex = -1")
        missed = set(pressable_places(page)) - {focus.place for focus in tabbed_through(page)}
        assert len(missed) == 1

    def test_the_first_stop_skips_to_the_content(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/", reduced_motion="reduce")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.getBoundingClientRect().top") >= 0
        page.keyboard.press("Enter")
        expect(page.locator("#content")).to_be_focused()

    def test_a_form_that_came_back_leads_to_its_summary_and_on_to_the_field(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/errors/")
        assert page.evaluate("document.activeElement.matches('[data-error-summary]')")
        for label, field in {"Height, front left": "wrong-height", "Why is the vehicle here?": "wrong-reason"}.items():
            page.locator(".error-summary a", has_text=label).click()
            expect(page.locator(f"[name={field}]").first).to_be_focused()

    def test_on_a_narrow_screen_the_index_opens_and_closes(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/", viewport={"width": 390, "height": 844})
        index = page.locator("#index")
        assert not index.is_visible()
        page.locator(".index-button").press("Enter")
        expect(index).to_be_visible()
        assert axe_findings(page) == []
        page.keyboard.press("Escape")
        expect(index).not_to_be_visible()


class TestSizes:
    @pytest.mark.parametrize("path", PAGES)
    def test_enlarged_fourfold_nothing_is_scrolled_sideways(self, open_page: PagesOpened, path: str) -> None:
        page = open_page(path, **ENLARGED)
        open_all(page)
        assert sideways_px(page) <= 0

    @pytest.mark.parametrize("language", ["en-GB", "de-DE"])
    @pytest.mark.parametrize("size", [(1180, 820), (820, 1180), (390, 844), (320, 640)])
    def test_words_stay_in_their_cards_in_every_language(
        self, open_page: PagesOpened, language: str, size: tuple[int, int]
    ) -> None:
        for path in ("/looks/bench/", "/looks/bench-result/", "/looks/"):
            page = open_page(path, locale=language, viewport={"width": size[0], "height": size[1]})
            assert page.locator("html").get_attribute("lang") == language[:2]
            assert sticking_out(page, ".plan-corner, .card, .notice, .button, .state") == []

    def test_a_word_too_long_for_its_card_would_be_found(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/bench-result/", viewport={"width": 390, "height": 844})
        page.evaluate("document.querySelector('.verdict').append('unentscheidbarkeit')")
        assert len(sticking_out(page, ".plan-corner")) == 1

    def test_something_too_wide_would_be_found(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/", **ENLARGED)
        page.evaluate("document.querySelector('main p').style.width = '400px'")
        assert sideways_px(page) > 0

    @pytest.mark.parametrize(("width", "height"), [(1280, 800), (820, 1180), (390, 844)])
    @pytest.mark.parametrize("path", PAGES)
    def test_nothing_is_scrolled_sideways_on_usual_screens(
        self, open_page: PagesOpened, path: str, width: int, height: int
    ) -> None:
        assert sideways_px(open_page(path, viewport={"width": width, "height": height})) <= 0

    @pytest.mark.parametrize("width", [1180, 820, 390])
    @pytest.mark.parametrize("path", BENCH)
    def test_on_the_bench_everything_pressed_is_at_least_56_px(
        self, open_page: PagesOpened, path: str, width: int
    ) -> None:
        page = open_page(path, viewport={"width": width, "height": 1180})
        open_all(page)
        found = targets(page)
        assert len(found) >= 3
        assert [each for each in found if each.height < 56 or each.width < 56] == []

    @pytest.mark.parametrize("path", DESK)
    def test_at_the_desk_everything_pressed_is_at_least_32_px_high(self, open_page: PagesOpened, path: str) -> None:
        page = open_page(path)
        open_all(page)
        assert [each for each in targets(page) if each.height < 32 and not each.is_in_text] == []

    def test_a_small_target_would_be_found(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/bench/")
        page.evaluate("document.querySelector('.bench-bar .button').style.minHeight = '40px'")
        assert [each for each in targets(page) if each.height < 56]


class TestHand:
    def left_edge(self, page: Page) -> float:
        box = page.locator(".bench-bar .button-main").bounding_box()
        assert box is not None
        return box["x"]

    def test_buttons_go_to_the_left_and_stay_there(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/bench/", viewport={"width": 820, "height": 1180})
        switch = page.get_by_role("button", name="Buttons at the left")
        assert switch.get_attribute("aria-pressed") == "false"
        assert self.left_edge(page) > 410
        switch.click()
        assert switch.get_attribute("aria-pressed") == "true"
        assert self.left_edge(page) < 100
        page.reload()
        assert self.left_edge(page) < 100
        page.get_by_role("button", name="Buttons at the left").click()
        assert self.left_edge(page) > 410

    def test_the_switch_works_where_storage_is_refused(self, open_page: PagesOpened) -> None:
        refused = "Object.defineProperty(window, 'localStorage', { get() { throw new Error('refused') } })"
        page = open_page("/looks/bench/", prepare=lambda page: page.add_init_script(refused))
        page.get_by_role("button", name="Buttons at the left").click()
        assert page.evaluate("document.documentElement.dataset.hand") == "left"


class TestWithoutScript:
    def test_a_confirmation_takes_two_presses_in_two_places(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/", java_script_enabled=False)
        first = page.locator("summary", has_text="Sign off this job")
        second = page.get_by_role("button", name="Sign off", exact=True)
        assert not second.is_visible()
        first.click()
        assert second.is_visible()
        here, there = first.bounding_box(), second.bounding_box()
        assert here is not None
        assert there is not None
        assert there["y"] > here["y"] + here["height"], "a second press in the same place does nothing"

    def test_pages_are_whole(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/errors/", java_script_enabled=False)
        assert page.locator(".error-summary").is_visible()
        page.locator(".error-summary a", has_text="Height, front left").click()
        assert page.url.endswith("#id_wrong-height")
        bench = open_page("/looks/bench/", java_script_enabled=False)
        assert not bench.locator("[data-sets]").is_visible(), "a switch that could not act"


class TestPolicy:
    def complaints(self, browser: Browser, url: str, seeded: str = "") -> list[str]:
        """Of the page; where something is seeded, once there is one."""

        def with_policy(route: Route) -> None:
            answer = route.fetch()
            if not answer.headers["content-type"].startswith("text/html"):
                return route.fulfill(response=answer)
            body = answer.text().replace("</body>", f"{seeded}</body>")
            return route.fulfill(
                response=answer, body=body, headers={**answer.headers, "content-security-policy": POLICY}
            )

        with browser.new_context() as context:
            page = context.new_page()
            told: list[str] = []
            page.on("console", lambda message: told.append(message.text))
            page.route("**/*", with_policy)
            page.goto(url)
            while seeded and not told:
                page.wait_for_event("console")
            return told

    @pytest.mark.parametrize("path", PAGES)
    def test_the_strictest_policy_has_nothing_to_refuse(self, browser: Browser, origin: str, path: str) -> None:
        assert self.complaints(browser, origin + path) == []

    @pytest.mark.parametrize("seeded", ['<p style="color:red">x</p>', "<script>let a;</script>"])
    def test_what_it_refuses_would_be_found(self, browser: Browser, origin: str, seeded: str) -> None:
        assert any("Content Security Policy" in told for told in self.complaints(browser, origin + "/looks/", seeded))


class TestOnPaper:
    def test_ink_on_white_without_what_only_a_screen_can_do(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/?theme=dark", color_scheme="dark")
        page.emulate_media(media="print")
        assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
        assert page.evaluate("getComputedStyle(document.body).color") == "rgb(22, 34, 43)"
        for gone in (".index", ".button >> nth=0", ".pages", ".skip"):
            assert not page.locator(gone).is_visible()
        assert page.locator(".notice-stop").is_visible()
        assert page.locator(".vehicle").first.is_visible()

    def test_a_worksheet_is_one_sheet(self, open_page: PagesOpened) -> None:
        page = open_page("/looks/worksheet/")
        for paper in ("A4", "Letter"):
            assert page.pdf(format=paper).count(b"/Type /Page\n") == 1
