"""A keeper's invitations, and the page on which somebody invited joins."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import IntegrityError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django_tables2 import RequestConfig

from prospecting.access import ANYONE, KEEPER, from_phone, page
from prospecting.actions.calendar_link import hash_of_key
from prospecting.actions.invitations import invite, join, withdraw_invitation
from prospecting.actions.refusal import Refused
from prospecting.actions.throttle import caller_of, count_wrong, key_counts, minutes_to_wait
from prospecting.calc.language import phrase
from prospecting.charts.tags import square_path
from prospecting.forms.members import InviteForm, JoinForm, own_units, wait_sentence
from prospecting.models import Invitation, Member
from prospecting.tables.members import InvitationTable
from prospecting.views.entry import enter
from prospecting.views.list_file import list_file
from prospecting.views.signing_in import asked_password, begin_session, too_many

PAST = gettext_lazy("This invitation was used, has run out or was withdrawn.")


@page(role=KEEPER)
def invitation_list(request: HttpRequest) -> HttpResponse:
    invitations = Invitation.objects.select_related("invited_by", "joined_as")
    still_open = list(invitations.still_open())
    table = InvitationTable(invitations.exclude(pk__in=[each.pk for each in still_open]))
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    return list_file(request, table, "past-invitations") or render(
        request,
        "prospecting/invitation_list.html",
        {"open": still_open, "table": table, "crumbs": _crumbs((phrase("Invitations"), ""))},
    )


@page(role=KEEPER, methods=("GET", "POST"))
@never_cache
def invitation_add(request: HttpRequest) -> HttpResponse:
    """Invite somebody. The link is shown in the answer itself, this once."""
    form = InviteForm(request.POST or None, member=request.user, ask=asked_password(request))
    made = []

    def make() -> Invitation:
        invitation, key = invite(**form.values(), invited_by=request.user)
        made.append((invitation, key))
        return invitation

    response = enter(request, form, make, said=phrase("The invitation is made."))
    if response and (from_phone(request) or not made):
        return response
    shown = {
        "form": form,
        "crumbs": _crumbs((phrase("Invitations"), reverse("invitation-list")), (phrase("Invite"), "")),
    }
    if made:
        invitation, key = made[0]
        address = request.build_absolute_uri(reverse("join", args=[key]))
        square, side = square_path(address)
        shown |= {"invitation": invitation, "address": address, "square": square, "side": side}
    return _without_referer(render(request, "prospecting/invitation_add.html", shown))


@page(role=KEEPER, methods=("POST",))
def invitation_withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    invitation = get_object_or_404(Invitation, pk=pk)
    try:
        withdraw_invitation(invitation=invitation, withdrawn_by=request.user)
    except Refused as refusal:
        messages.error(request, " ".join(refusal.messages))
    else:
        messages.success(request, phrase("Withdrawn: its link opens nothing any more."))
    return redirect("invitation-list")


@page(role=ANYONE, methods=("GET", "POST"))
@never_cache
def join_page(request: HttpRequest, key: str) -> HttpResponse:
    """Where the link of an invitation leads. What is wrong with a link is said, but never whom it was for."""
    caller = caller_of(request)
    invitations = Invitation.objects.filter(key_sha256=hash_of_key(key))
    invitation = invitations.still_open().first()
    # A right key opens, whatever strangers at the same address have tried.
    if invitation is None and (wait := minutes_to_wait(key_counts(caller))):
        return too_many(_gone(request, wait_sentence(wait)), wait)
    if invitation is None and invitations.exists():
        return _gone(request, PAST, 410)
    if invitation is None:
        # A GET writes nothing here either; 32 random bytes are not found by trying, by whatever method.
        if request.method == "POST":
            count_wrong(key_counts(caller), what="a wrong invitation key")
        return _gone(
            request, phrase("There is no invitation at this address. Look whether all of it was copied."), 404
        )
    if request.user.is_authenticated:
        return _gone(
            request,
            phrase(
                "You are signed in as {user}. Sign out before somebody else joins here.", user=request.user
            ),
            200,
        )
    newcomer = Member()
    form = JoinForm(request.POST or None, member=newcomer, initial=own_units(newcomer))
    if request.method == "POST" and form.is_valid():
        try:
            member = join(key=key, **form.values())
        except IntegrityError:
            # Two people chose one user name in the same moment.
            form.add_error("username", phrase("Someone took this user name a moment ago. Choose another."))
        except ValidationError as refusal:
            if getattr(refusal, "code", None) == "not_open":
                return _gone(request, PAST, 410)
            form.add_refusal(refusal)
        else:
            messages.success(request, phrase("Welcome, {member}.", member=member))
            return begin_session(request, member, reverse("home"))
    return _without_referer(render(request, "prospecting/join.html", {"form": form, "role": invitation.role}))


def _gone(request: HttpRequest, sentence: str, status: int = 429) -> HttpResponse:
    return _without_referer(
        render(request, "prospecting/join_gone.html", {"sentence": sentence}, status=status)
    )


def _without_referer(response: HttpResponse) -> HttpResponse:
    """Not even to this site's own style sheet: a proxy may write down where a request came from, and there the key stands.

    The origin alone goes along, for without any Django refuses the form.
    """
    response.headers["Referrer-Policy"] = "strict-origin"
    return response


def _crumbs(*last: tuple[str, str]) -> list[tuple[str, str]]:
    return [(phrase("Members"), reverse("member-list")), *last]
