from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from prospecting.access import GUEST, KEEPER, from_phone, page
from prospecting.actions.api_tokens import end_api_token, make_api_token
from prospecting.calc.language import phrase
from prospecting.forms.api_tokens import ApiTokenForm
from prospecting.forms.base import SiteForm
from prospecting.models import ApiToken
from prospecting.views.entry import enter
from prospecting.views.members import OwnPage
from prospecting.views.signing_in import asked_password


@page(role=GUEST, methods=("GET", "POST"), own=True)
@never_cache
def api_token_list(request: HttpRequest) -> HttpResponse:
    """One's own tokens. The key of a new one is shown in the answer itself, this once."""
    ask = asked_password(request)
    form = ApiTokenForm(request.POST or None, member=request.user, ask=ask)
    keys = []

    def make() -> OwnPage:
        _, key = make_api_token(member=request.user, **form.values())
        keys.append(key)
        return OwnPage(request.user)

    response = enter(request, form, make, said=phrase("The token is made."), then=reverse("api-token-list"))
    if response and (from_phone(request) or not keys):
        return response
    if keys:
        form = ApiTokenForm(member=request.user, ask=ask)
    return render(
        request,
        "prospecting/api_token_list.html",
        {
            "form": form,
            "key": keys[0] if keys else "",
            "tokens": ApiToken.objects.filter(member=request.user),
            "crumbs": [(phrase("My settings"), reverse("own-settings")), (phrase("Tokens for programs"), "")],
        },
    )


@page(role=GUEST, methods=("GET", "POST"), own=True)
def api_token_end(request: HttpRequest, pk: int) -> HttpResponse:
    """End one of one's own tokens; a keeper ends anybody's."""
    token = get_object_or_404(ApiToken.objects.select_related("member"), pk=pk)
    if token.member != request.user and not request.user.is_keeper:
        raise Http404("No token of yours is at this address.")
    back = "api-token-list" if token.member == request.user else "api-token-all"
    form = SiteForm(request.POST or None, member=request.user)

    def make() -> OwnPage:
        end_api_token(token=token, ended_by=request.user)
        return OwnPage(request.user)

    if response := enter(
        request, form, make, said=phrase("The token opens nothing any more."), then=reverse(back)
    ):
        return response
    crumbs = [(phrase("Tokens for programs"), reverse(back)), (phrase("End a token"), "")]
    return render(request, "prospecting/api_token_end.html", {"token": token, "form": form, "crumbs": crumbs})


@page(role=KEEPER)
def api_token_all(request: HttpRequest) -> HttpResponse:
    tokens = ApiToken.objects.select_related("member").order_by("member__username", "-pk")
    crumbs = [(phrase("Members"), reverse("member-list")), (phrase("Tokens for programs"), "")]
    return render(request, "prospecting/api_token_all.html", {"tokens": tokens, "crumbs": crumbs})
