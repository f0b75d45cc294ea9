"""The address on every certificate: whether it holds, and what it certifies. Anyone may ask, by code or by file."""

from __future__ import annotations

from dataclasses import asdict
from http import HTTPStatus
from typing import Any, Final

from django import forms
from django.core.exceptions import SuspiciousOperation
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.http.multipartparser import MultiPartParserError
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.utils.decorators import method_decorator
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.generic.base import View

from fleet.api.problems import Problem, problem_for_exception
from fleet.api.throttling import SharedThrottle
from fleet.errors import LevelbookError
from fleet.pages.limits import require_few

from ..certificate.display import stamp_with_zone
from ..certificate.texts import kind_title
from ..codes import grouped, read_code
from ..selectors.certificate_files import (
    LARGEST_FILE,
    FileVerification,
    checking_script_sha256,
    file_verification,
    published_keys,
)
from ..selectors.certificates import Verification, verification
from .verify_words import CHECKS, verdict_sentences

MEDIA_TYPES: Final = ["text/html", "application/json"]
STATES: Final = {"issued": "valid", "replaced": "replaced"}
LONGEST_SHOWN: Final = 40


class CodesAskedThrottle(SharedThrottle):
    """Codes asked for from one network address: far too few to come upon one by trying."""

    scope = "verification"
    default_rate = "120/min"

    def ident(self, request: Any, view: Any) -> str | None:
        return self.get_ident(request)


class FilesCheckedThrottle(CodesAskedThrottle):
    """Files handed in from one network address: each takes the service up to some seconds."""

    scope = "verification_file"
    default_rate = "30/min"


class CertificateFileForm(forms.Form):
    """The file as it was issued."""

    use_required_attribute = False

    file = forms.FileField(
        label=_("PDF file of the certificate"),
        help_text=_("As it came by e-mail or from the workshop, at most 5 MB. It is checked and not kept."),
        widget=forms.FileInput(attrs={"accept": ".pdf,application/pdf"}),
        error_messages={
            "required": _("Choose the PDF file."),
            "empty": _("The file is empty. Download it again."),
        },
    )


class PublicView(View):
    """Nothing of it is kept by browsers. A refusal is told to programs as it is by the interface."""

    @method_decorator(never_cache)
    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        try:
            return super().dispatch(request, *args, **kwargs)
        except (LevelbookError, SuspiciousOperation, MultiPartParserError) as error:
            problem = problem_for_exception(error)
            if problem is None or not wants_json(request):
                raise
            return problem.response()

    def answer(self, typed: str) -> HttpResponse:
        """A page, or JSON where `Accept` asks for it; 404 for a code that was never issued."""
        require_few(CodesAskedThrottle(), self.request, self)
        found = verification(typed)
        status = HTTPStatus.NOT_FOUND if found is None else HTTPStatus.OK
        if wants_json(self.request):
            return JsonResponse(_content(found), status=status)
        code = read_code(typed)
        shown = grouped(code) if code else typed[:LONGEST_SHOWN]
        return self.page(
            {"asked": True, "found": found, **_told(found), "code": shown, "is_code": code is not None}, status
        )

    def page(self, values: dict[str, Any], status: int = HTTPStatus.OK) -> HttpResponse:
        values = {
            "form": CertificateFileForm(),
            "keys": published_keys(),
            "script_sha256": checking_script_sha256(),
            **values,
        }
        return render(self.request, "reports/verify.html", values, status=status)


class CodeView(PublicView):
    """`/verify/<code>`, as the QR code has it."""

    def get(self, request: HttpRequest, code: str) -> HttpResponse:
        return self.answer(code)


@method_decorator(csrf_exempt, name="dispatch")  # it changes nothing and asks nobody who they are
class AskView(PublicView):
    """`/verify/`: a field for the code and one for the file. With `?code=` what that code says."""

    def get(self, request: HttpRequest) -> HttpResponse:
        typed = request.GET.get("code", "").strip()
        if typed:
            return self.answer(typed)
        if wants_json(request):
            published = {"schema": reverse("certificate_schema"), "script": reverse("certificate_script")}
            return JsonResponse(
                {"verifier_keys": published_keys(), **published, "script_sha256": checking_script_sha256()}
            )
        return self.page({})

    def post(self, request: HttpRequest) -> HttpResponse:
        """Check a file."""
        require_few(FilesCheckedThrottle(), request, self)
        form = CertificateFileForm(request.POST, request.FILES)
        if not form.is_valid():
            return self._refused(form, form.errors.as_data()["file"][0].code or "required")
        file = form.cleaned_data["file"]
        if file.size > LARGEST_FILE:
            form.add_error(
                "file", _("The file is larger than 5 MB. No certificate is: choose the file as it was issued.")
            )
            return self._refused(form, "too_large", HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
        checked = file_verification(file.read())
        if checked is None:
            form.add_error("file", _("This is no PDF file that can be read. Choose the file as it was issued."))
            return self._refused(form, "unreadable")
        if wants_json(request):
            return JsonResponse(_file_content(checked))
        found = checked.certificate
        code = grouped(read_code(checked.file.document["verification_code"]) or "") if found else ""
        checks = [(CHECKS[each.name], each.holds) for each in checked.file.results]
        values = {"checked": checked, "checks": checks, "found": found, **_told(found), "code": code}
        values["is_read"] = any(holds for _said, holds in checks)
        return self.page(values)

    def _refused(
        self, form: CertificateFileForm, code: str, status: HTTPStatus = HTTPStatus.UNPROCESSABLE_ENTITY
    ) -> HttpResponse:
        if not wants_json(self.request):
            return self.page({"form": form}, status)
        error = {"pointer": "/file", "code": code, "detail": form.errors["file"][0]}
        return Problem(status, errors=(error,)).response()


def wants_json(request: HttpRequest) -> bool:
    return request.get_preferred_type(MEDIA_TYPES) == "application/json"


def _told(found: Verification | None) -> dict[str, Any]:
    """What a page says of a certificate."""
    if found is None:
        return {"content": _content(None)}
    return {
        "content": _content(found),
        "kind": kind_title(found.kind),
        "issued": stamp_with_zone(found.issued_at),
        "verdict": verdict_sentences(found),
    }


def _content(found: Verification | None) -> dict[str, Any]:
    if found is None:
        return {"state": "unknown"}
    return {**asdict(found), "state": STATES[found.state]}


def _file_content(checked: FileVerification) -> dict[str, Any]:
    return {
        "state": checked.state,
        "sha256": checked.file.sha256,
        "checks": [asdict(each) for each in checked.file.results],
        "certificate": _content(checked.certificate) if checked.certificate else None,
    }
