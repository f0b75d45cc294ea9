"""What a page is like in the browser, measured there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Page

PRESSED = (
    "a[href], button, summary, select, textarea, label.choice, input:not([type=hidden], [type=radio], [type=checkbox])"
)


def axe_findings(page: Page, *, only: Sequence[str] = ()) -> list[str]:
    """The rules of WCAG 2.2 A and AA and good practice that the page breaks, with the place; `only` names rules."""
    chosen = {"runOnly": {"type": "rule", "values": list(only)}} if only else {}
    found = Axe().run(page, options={"resultTypes": ["violations"], **chosen}).response["violations"]
    return [f"{rule['id']}: {node['target']}" for rule in found for node in rule["nodes"]]


def open_all(page: Page) -> None:
    """Unfold everything that is folded."""
    page.eval_on_selector_all("details", "all => all.forEach(each => { each.open = true })")


def sideways_px(page: Page) -> int:
    """By how much the page is wider than its window."""
    width: int = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return width


def sticking_out(page: Page, containers: str) -> list[str]:
    """Text that reaches beyond the side of the container that it stands in."""
    found: list[str] = page.eval_on_selector_all(
        containers,
        """all => all.filter(each => each.checkVisibility()).flatMap(each => {
            const text = document.createRange();
            text.selectNodeContents(each);
            const box = each.getBoundingClientRect();
            const out = [...text.getClientRects()].some(one => one.left < box.left - 1 || one.right > box.right + 1);
            return out ? [each.outerHTML.slice(0, 80)] : [];
        })""",
    )
    return found


@dataclass(frozen=True, slots=True)
class Target:
    name: str
    width: float
    height: float
    is_in_text: bool


def targets(page: Page) -> list[Target]:
    """Everything that can be pressed and is seen. WCAG 2.2, 2.5.8 excepts links in the run of a sentence."""
    found = page.eval_on_selector_all(
        PRESSED,
        """all => all.filter(each => each.checkVisibility() && !each.matches('.skip')).map(each => {
            const box = each.getBoundingClientRect();
            const inText = each.matches('a') && getComputedStyle(each).display === 'inline';
            return [each.outerHTML.slice(0, 80), box.width, box.height, inText];
        })""",
    )
    return [Target(*values) for values in found]


@dataclass(frozen=True, slots=True)
class Focus:
    """What the keyboard came to: its place among all elements, whether it can be seen to have the focus, and whether
    something that stays lies over its middle."""

    place: int
    name: str
    is_visible: bool
    is_covered: bool


_FOCUSED = """() => {
    const each = document.activeElement;
    if (!each || each === document.body) return null;
    const style = getComputedStyle(each);
    const place = [...document.querySelectorAll('*')].indexOf(each);
    const seen = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
    const box = each.getBoundingClientRect();
    const above = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
    const covered = !above || !(each.contains(above) || above.contains(each));
    return [place, each.outerHTML.slice(0, 80), seen, covered];
}"""


_TO_THE_TOP = """() => {
    const top = document.createElement('button');
    document.body.prepend(top);
    top.focus();
    top.remove();
}"""


def tabbed_through(page: Page, most: int = 200) -> list[Focus]:
    """Press Tab from the top of the page until the focus leaves it."""
    page.evaluate(_TO_THE_TOP)
    reached: list[Focus] = []
    for _ in range(most):
        page.keyboard.press("Tab")
        found = page.evaluate(_FOCUSED)
        if found is None or any(found[0] == focus.place for focus in reached[:-1]):
            break
        if not (reached and found[0] == reached[-1].place):  # a field for a day has several stops within
            reached.append(Focus(*found))
    return reached


def pressable_places(page: Page) -> dict[int, str]:
    """What the keyboard must come to; of a group of radio buttons, which are one stop, only the chosen or first."""
    found = page.evaluate(
        """() => [...document.querySelectorAll('*')].flatMap((each, place) => {
            if (!each.matches('a[href], button, summary, select, textarea, input:not([type=hidden])')) return [];
            if (!each.checkVisibility() || each.disabled) return [];
            if (each.type === 'radio') {
                const group = [...document.getElementsByName(each.name)];
                if (each !== (group.find(one => one.checked) ?? group[0])) return [];
            }
            return [[place, each.outerHTML.slice(0, 80)]];
        })"""
    )
    return {int(place): str(name) for place, name in found}
