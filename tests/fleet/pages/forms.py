"""Forms as a browser sends them: what the page offers is read from it, changed, and sent."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

from django.test import Client


@dataclass
class Form:
    """One form of a page with its values as they stand there."""

    method: str
    action: str
    values: dict[str, list[str]] = field(default_factory=dict)
    button: str = ""

    def filled(self, **typed: Any) -> dict[str, list[str]]:
        """With these fields typed over; a double underscore stands for the hyphen in a name. None: not ticked."""
        changed = {name.replace("__", "-"): value for name, value in typed.items()}
        sent = {**self.values}
        for name, value in changed.items():
            if value is None:
                sent.pop(name, None)
            else:
                sent[name] = [str(each) for each in value] if isinstance(value, list) else [str(value)]
        return sent


class _Reader(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self._inside: Form | None = None
        self._area: str | None = None
        self._select: str | None = None
        self._first_option = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._inside = Form(given.get("method", "get"), given.get("action", ""))
            self.forms.append(self._inside)
        if self._inside is None:
            return
        values, name = self._inside.values, given.get("name", "")
        if tag == "input" and name:
            if given.get("type") in {"checkbox", "radio"}:
                if "checked" in given:
                    values.setdefault(name, []).append(given.get("value", "on"))
            else:
                values[name] = [given.get("value", "")]
        elif tag == "textarea":
            self._area, values[name] = name, [""]
        elif tag == "select":
            self._select, self._first_option = name, True
        elif tag == "option" and self._select:
            if "selected" in given or self._first_option:
                values[self._select] = [given.get("value", "")]
            self._first_option = False

    def handle_data(self, data: str) -> None:
        if self._area and self._inside:
            self._inside.values[self._area] = [self._inside.values[self._area][0] + data.removeprefix("\n")]

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._inside = None
        elif tag == "textarea":
            self._area = None
        elif tag == "select":
            self._select = None


def forms_of(page: Any) -> list[Form]:
    return _Reader(page.content.decode()).forms


def form_of(page: Any, path: str | None = None) -> Form:
    """The page's form that is sent to this address; without one, that which is sent to the page's own."""
    (form,) = [f for f in forms_of(page) if f.method == "post" and f.action == (path or "")]
    return form


def send(browser: Client, path: str, **typed: Any) -> Any:
    """Open the page, fill the form in and send it; gives the answer."""
    page = browser.get(path)
    assert page.status_code == 200, (path, page.status_code)
    return browser.post(path, form_of(page).filled(**typed))


def errors_in(page: Any) -> dict[str, str]:
    """What the summary of errors says, by the field that each line leads to."""
    reader = _Summary()
    reader.feed(page.content.decode())
    return reader.found


class _Summary(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, str] = {}
        self._depth = 0
        self._field: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if "data-error-summary" in given:
            self._depth = 1
        elif self._depth and tag == "div":
            self._depth += 1
        elif self._depth and tag == "li":
            self._field = ""
        elif self._depth and tag == "a":
            self._field = (given.get("href") or "").removeprefix("#id_")

    def handle_data(self, data: str) -> None:
        if self._depth and self._field is not None and data.strip():
            self.found[self._field] = self.found.get(self._field, "") + data.strip()

    def handle_endtag(self, tag: str) -> None:
        if self._depth and tag == "div":
            self._depth -= 1
        if tag == "li":
            self._field = None
