"""Signing in and out, the health page, and what the site says when it can't answer."""

import sys
import time

from django.contrib import messages
from django.contrib.auth import logout
from django.contrib.auth.views import LoginView
from django.core.exceptions import RequestDataTooBig
from django.db import Error, connection
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.template.loader import get_template
from django.urls import reverse
from django.views.decorators.cache import never_cache

from prospecting.access import ANYONE, GUEST, PhoneAnswer, from_phone, page
from prospecting.actions.journal import note_refusal
from prospecting.actions.one_time_codes import codes_of
from prospecting.actions.sign_ins import sign_out_here
from prospecting.api.gate import Problem, from_program
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.forms.members import SignInCodeForm, SignInForm
from prospecting.models import Member
from prospecting.views.disk_full import disk_full, is_disk_full
from prospecting.views.signing_in import asked_code, begin_session, too_many

# Between the password and the code, the session holds nothing but whose code it waits for.
WAITS = "waits_for_code"
CODE_WITHIN_S = 600


class SignInView(LoginView):
    template_name = "prospecting/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def get_redirect_url(self) -> str:
        """The page asked for before signing in, unless it is no page to land on."""
        target = super().get_redirect_url()
        return "" if target.partition("?")[0] in (reverse("sign-in"), reverse("sign-out")) else target

    def form_valid(self, form: SignInForm) -> HttpResponse:
        member, target = form.get_user(), self.get_success_url()
        if codes_of(member) is None:
            return begin_session(self.request, member, target)
        session = self.request.session
        session.flush()
        session[WAITS] = {
            "member": member.pk,
            # A password changed meanwhile ends the wait as it ends every session.
            "password": member.get_session_auth_hash(),
            "until": time.time() + CODE_WITHIN_S,
            "target": target,
        }
        session.set_expiry(CODE_WITHIN_S)
        return redirect("sign-in-code")


@page(role=ANYONE, methods=("GET", "POST"))
def sign_in(request: HttpRequest) -> HttpResponse:
    return SignInView.as_view()(request)


def sign_in_later(request: HttpRequest, response: HttpResponse, credentials: dict | None) -> HttpResponse:
    """What django-axes shows to whoever is locked out: the page itself, which says how long to wait."""
    return too_many(response, request.minutes_to_wait)


@page(role=ANYONE, methods=("GET", "POST"))
@never_cache
def sign_in_code(request: HttpRequest) -> HttpResponse:
    """The second half of signing in, for members with one-time codes."""
    waits = request.session.get(WAITS)
    member = _member_who_waits(waits)
    if request.user.is_authenticated or member is None:
        if not request.user.is_authenticated:
            messages.info(request, phrase("Begin with your user name and password."))
        return redirect("sign-in")
    form = SignInCodeForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        sentence = asked_code(request, member)(form.cleaned_data["code"])
        if not sentence:
            request.session.flush()
            return begin_session(request, member, waits["target"])
        form.add_error("code", sentence)
    return render(request, "prospecting/sign_in_code.html", {"form": form})


def _member_who_waits(waits: dict | None) -> Member | None:
    if waits is None or waits["until"] < time.time():
        return None
    member = Member.objects.filter(pk=waits["member"], is_active=True).first()
    return member if member and member.get_session_auth_hash() == waits["password"] else None


@page(role=GUEST, methods=("POST",), own=True)
def sign_out(request: HttpRequest) -> HttpResponse:
    sign_out_here(member=request.user, session_key=request.session.session_key)
    logout(request)
    response = redirect("sign-in")
    # Pages in the browser's memory and cache; what waits on the phone to be sent stays (queue.js takes the kept pages away).
    response.headers["Clear-Site-Data"] = '"cache"'
    return response


@page(role=ANYONE)
@never_cache
def health(request: HttpRequest) -> JsonResponse:
    try:
        with connection.cursor() as cursor:
            # A table and not a mere 1: SQLite would make a lost file anew without a word, and be well.
            cursor.execute("SELECT 1 FROM django_migrations LIMIT 1")
            cursor.fetchone()
    except Error:
        return JsonResponse({"ok": False}, status=503)
    return JsonResponse({"ok": True})


def csrf_refused(request: HttpRequest, reason: str = "") -> HttpResponse:
    if from_phone(request):
        return PhoneAnswer(
            403, "csrf", sentence=phrase("The phone has to ask the site for a fresh mark first.")
        )
    return render(request, "403_csrf.html", status=403)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    status = 413 if isinstance(exception, RequestDataTooBig) else 400
    if from_phone(request):
        return PhoneAnswer(status, "error", sentence=phrase("The site could not read this entry."))
    return render(request, f"{status}.html", status=status)


def permission_denied(request: HttpRequest, exception: Exception) -> HttpResponse:
    if request.user.is_authenticated:
        with as_written():
            note_refusal(member=request.user, path=request.path, sentence=str(exception))
    if from_phone(request):
        return PhoneAnswer(403, "forbidden", sentence=phrase("{reason} Ask a keeper.", reason=exception))
    return render(request, "403.html", {"exception": str(exception)}, status=403)


def page_not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    if from_phone(request):
        sentence = phrase(
            "What this entry belongs to is not in the books, or was voided since. Ask a keeper."
        )
        return PhoneAnswer(404, "gone", sentence=sentence)
    return render(request, "404.html", status=404)


def server_error(request: HttpRequest) -> HttpResponse:
    if is_disk_full(sys.exception()):
        return disk_full(request)
    if from_phone(request):
        return PhoneAnswer(
            500, "error", sentence=phrase("The site failed over this entry; it will be sent again.")
        )
    if from_program(request):
        return Problem(500, "failed", "The site failed over this. Send the same again later.").answer()
    # Without the request: whatever failed (the database, for one) must not be asked again for the member's name.
    return HttpResponse(get_template("500.html").render(), status=500)
