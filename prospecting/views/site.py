"""Signing in and out, the health page, and what the site says when it can't answer."""

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
from prospecting.forms.members import SignInForm


class SignInView(LoginView):
    template_name = "prospecting/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def get_redirect_url(self) -> str:
        """The page asked for before signing in, unless it is no page to land on."""
        target = super().get_redirect_url()
        return "" if target.partition("?")[0] in (reverse("sign-in"), reverse("sign-out")) else target


@page(role=ANYONE, methods=("GET", "POST"))
def sign_in(request: HttpRequest) -> HttpResponse:
    return SignInView.as_view()(request)


@page(role=GUEST, methods=("POST",), own=True)
def sign_out(request: HttpRequest) -> HttpResponse:
    logout(request)
    return redirect("sign-in")


@page(role=ANYONE)
@never_cache
def health(request: HttpRequest) -> JsonResponse:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
            cursor.fetchone()
    except Error:
        return JsonResponse({"ok": False}, status=503)
    return JsonResponse({"ok": True})


def csrf_refused(request: HttpRequest, reason: str = "") -> HttpResponse:
    if from_phone(request):
        return PhoneAnswer(403, "csrf", sentence="The phone has to ask the site for a fresh mark first.")
    return render(request, "403_csrf.html", status=403)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    if from_phone(request):
        status = 413 if isinstance(exception, RequestDataTooBig) else 400
        return PhoneAnswer(status, "error", sentence="The site could not read this entry.")
    return render(request, "400.html", status=400)


def permission_denied(request: HttpRequest, exception: Exception) -> HttpResponse:
    if from_phone(request):
        return PhoneAnswer(403, "forbidden", sentence=f"{exception} Ask a keeper.")
    return render(request, "403.html", {"exception": str(exception)}, status=403)


def page_not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    if from_phone(request):
        sentence = "What this entry belongs to is not in the books, or was voided since. Ask a keeper."
        return PhoneAnswer(404, "gone", sentence=sentence)
    return render(request, "404.html", status=404)


def server_error(request: HttpRequest) -> HttpResponse:
    if from_phone(request):
        return PhoneAnswer(500, "error", sentence="The site failed over this entry; it will be sent again.")
    # Without the request: whatever failed (the database, for one) must not be asked again for the member's name.
    return HttpResponse(get_template("500.html").render(), status=500)
