"""What all pages share: refusals of services shown as pages, and the second factor set up before anything else."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any, Final

from django.db import DataError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import translation
from django.utils.cache import add_never_cache_headers
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext
from redis.exceptions import RedisError

from fleet.api.problems import problem_for_exception
from fleet.errors import LevelbookError, TooMany, Unavailable
from fleet.sign_in.kept_entries import keep_entries, remember_person

from .access import MemberView, actor_of

logger = logging.getLogger(__name__)

INTERFACE: Final = "/api/"
PAGES_THAT_COUNT: Final = ("/account/", "/invitation/", "/new-password/", "/sign-in/")
"""On which attempts are counted; where the shared cache is away, they are closed rather than open to guessing."""
NOT_COUNTABLE: Final = (OSError, RedisError)
OF_THE_DEVICE: Final = "/bench/"
"""Kept on tablets that several people use: in the language of the browser, whoever has signed in."""
OPEN_WITHOUT_SECOND_FACTOR: Final = ("/account/", "/bench/", "/verify/", "/static/", "/healthz", "/readyz", "/metrics")


class PagesMiddleware:
    """Stands within the workshop's transaction; an answer of 400 or more rolls it back."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        path = request.path_info
        if path.startswith(INTERFACE):
            return self.get_response(request)
        actor = actor_of(request)
        if actor is not None and actor.language and not path.startswith(OF_THE_DEVICE):
            translation.activate(actor.language)  # until the next request; the locale middleware names it in the answer
        if getattr(request, "refusal", None) is not None and not path.startswith(OPEN_WITHOUT_SECOND_FACTOR):
            return redirect("mfa_index")
        response = self.get_response(request)
        if path.startswith(PAGES_THAT_COUNT) or actor is not None:
            add_never_cache_headers(response)
        if actor is not None:
            remember_person(request, response)
        return response

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if request.path_info.startswith(INTERFACE):
            return None
        if isinstance(exception, LevelbookError):
            return problem_page(request, exception)
        if isinstance(exception, DataError):
            return misfit_page(request, exception)
        if isinstance(exception, NOT_COUNTABLE) and request.path_info.startswith(PAGES_THAT_COUNT):
            logger.error("attempts cannot be counted", exc_info=exception)
            return problem_page(request, Unavailable())
        return None


def problem_page(request: HttpRequest, error: LevelbookError) -> HttpResponse:
    """Why not, and what to do."""
    problem = problem_for_exception(error)
    assert problem is not None  # every error of ours is one
    members = problem.members()
    if isinstance(error, TooMany) and error.detail == TooMany.default_detail:
        members["detail"] = _how_long(error.retry_after_s)
    response = render(request, "fleet/problem.html", members, status=problem.status)
    for name, value in problem.headers.items():
        response.headers[name] = value
    return response


def _how_long(seconds: int) -> str:
    """Nobody sees the header that programs are referred to."""
    text = ngettext(
        "Too many attempts. Wait %(count)s second, then try again.",
        "Too many attempts. Wait %(count)s seconds, then try again.",
        seconds,
    )
    return text % {"count": seconds}


def misfit_page(request: HttpRequest, error: DataError) -> HttpResponse:
    """A value that the database does not take where no form was there to say so.

    The transaction is broken, so the page is without what would be read from the database.
    """
    problem = problem_for_exception(error)
    assert problem is not None  # known by its class
    bare = {"who": "", "navigation": (), "messages": ()}
    return render(request, "fleet/problem.html", {**problem.members(), **bare}, status=problem.status)


def too_many(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """`handler429`, which django-allauth calls."""
    return problem_page(request, TooMany())


def foreign_form(request: HttpRequest, reason: str = "") -> HttpResponse:
    """`CSRF_FAILURE_VIEW`: a form that did not come from a page of ours, or from one that is too old.

    What was typed before the person signed in anew, in another tab, stands in the form again.
    """
    if _is_from_before(request) and keep_entries(request):
        return redirect(request.get_full_path())
    values: dict[str, Any] = {
        "title": _("This form is out of date"),
        "detail": _("Go back, load the page again and send the form once more. Cookies must be allowed."),
    }
    return render(request, "fleet/problem.html", values, status=403)


def _is_from_before(request: HttpRequest) -> bool:
    """Whether a page of ours sent it whose form can be filled in again: other sites must not fill in anything."""
    view = getattr(request.resolver_match and request.resolver_match.func, "view_class", None)
    is_filled_in = isinstance(view, type) and issubclass(view, MemberView) and view.keeps_entries
    is_ours = request.headers.get("Origin") == f"{request.scheme}://{request.get_host()}"
    return is_filled_in and is_ours and actor_of(request) is not None
