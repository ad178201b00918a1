import json

from django.contrib.auth import update_session_auth_hash
from django.core.serializers.json import DjangoJSONEncoder
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import GUEST, KEEPER, page
from prospecting.actions.members import (
    add_member,
    change_member,
    change_own_password,
    change_own_units,
    note_own_data,
    set_member_password,
)
from prospecting.actions.one_time_codes import codes_of
from prospecting.actions.sign_ins import move_sign_in
from prospecting.calc.language import phrase
from prospecting.filters.members import MemberFilter
from prospecting.forms.members import (
    MemberAddForm,
    MemberEditForm,
    MemberPasswordForm,
    OwnPasswordForm,
    OwnUnitsForm,
    member_before,
    own_units,
)
from prospecting.frames.own_data import own_data as held_about
from prospecting.frames.sign_ins import devices_of
from prospecting.models import Invitation, JournalEntry, Member
from prospecting.tables.members import MemberTable
from prospecting.views.entry import Change, enter
from prospecting.views.list_file import list_file
from prospecting.views.saved_file import saved_file
from prospecting.views.signing_in import asked_password


@page(role=KEEPER)
def member_list(request: HttpRequest) -> HttpResponse:
    filters = MemberFilter(request, Member.objects.all())
    table = MemberTable(filters.qs)
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    invited = Invitation.objects.still_open().count()
    return list_file(request, table, "members") or render(
        request,
        "prospecting/member_list.html",
        {"table": table, "filters": filters, "invited": invited},
    )


@page(role=KEEPER, methods=("GET", "POST"))
def member_add(request: HttpRequest) -> HttpResponse:
    form = MemberAddForm(request.POST or None, member=request.user, ask=asked_password(request))
    if response := enter(
        request,
        form,
        lambda: add_member(**form.values(), added_by=request.user),
        said=phrase("The member can sign in now."),
    ):
        return response
    return render(
        request, "prospecting/member_add.html", {"form": form, "crumbs": _crumbs(phrase("Add a member"))}
    )


@page(role=KEEPER, methods=("GET", "POST"))
def member_edit(request: HttpRequest, pk: int) -> HttpResponse:
    member = get_object_or_404(Member, pk=pk)
    form = MemberEditForm(
        request.POST or None, member=request.user, initial=member_before(member), ask=asked_password(request)
    )
    if response := enter(
        request,
        form,
        lambda: change_member(member=member, **form.values(), changed_by=request.user),
        said=phrase("Changed."),
        change=Change(member, member_before),
    ):
        return response
    return render(
        request,
        "prospecting/member_edit.html",
        {
            "edited": member,
            "form": form,
            "codes": codes_of(member),
            "devices": devices_of(member),
            "entries": JournalEntry.objects.about(member).select_related("member")[:20],
            "crumbs": _crumbs(str(member)),
        },
    )


@page(role=KEEPER, methods=("GET", "POST"))
def member_password(request: HttpRequest, pk: int) -> HttpResponse:
    member = get_object_or_404(Member, pk=pk)
    form = MemberPasswordForm(request.POST or None, member=request.user, ask=asked_password(request))

    def make() -> Member:
        return set_member_password(
            member=member,
            password=form.cleaned_data["password"],
            set_by=request.user,
            session_key=request.session.session_key,
        )

    if response := enter(
        request,
        form,
        make,
        said=phrase("{member} signs in with the new password from now on.", member=member),
    ):
        if member == request.user:
            _stay_signed_in(request)
        return response
    crumbs = [
        *_crumbs(),
        (str(member), reverse("member-edit", args=[member.pk])),
        (phrase("New password"), ""),
    ]
    return render(
        request, "prospecting/member_password.html", {"edited": member, "form": form, "crumbs": crumbs}
    )


@page(role=GUEST, methods=("GET", "POST"), own=True)
def own_settings(request: HttpRequest) -> HttpResponse:
    member = request.user
    form = OwnUnitsForm(request.POST or None, member=member, initial=own_units(member))
    if response := enter(
        request,
        form,
        lambda: OwnPage(change_own_units(member=member, **form.values())),
        said=phrase("Numbers are shown your way now."),
    ):
        return response
    return render(
        request,
        "prospecting/own_settings.html",
        {
            "form": form,
            "codes": codes_of(member),
            "devices": devices_of(member, here=request.session.session_key),
        },
    )


@page(role=GUEST, methods=("GET", "POST"), own=True)
def own_password(request: HttpRequest) -> HttpResponse:
    form = OwnPasswordForm(request.POST or None, member=request.user, ask=asked_password(request))

    def make() -> OwnPage:
        changed = change_own_password(
            member=request.user,
            password=form.cleaned_data["password"],
            session_key=request.session.session_key,
        )
        return OwnPage(changed)

    if response := enter(
        request, form, make, said=phrase("Your new password holds from now on. Other devices are signed out.")
    ):
        _stay_signed_in(request)
        return response
    crumbs = [(phrase("My settings"), reverse("own-settings")), (phrase("Password"), "")]
    return render(request, "prospecting/own_password.html", {"form": form, "crumbs": crumbs})


@page(role=GUEST, methods=("GET", "POST"), own=True)
def own_data(request: HttpRequest) -> HttpResponse:
    """A file with all the site holds about the member. It takes a post, for the journal keeps that it was made."""
    if request.method == "POST":
        held = held_about(request.user)
        note_own_data(member=request.user)
        data = json.dumps(held, cls=DjangoJSONEncoder, indent=1, ensure_ascii=False).encode()
        return saved_file(data, "application/json", f"my-data-{request.user.username}.json")
    crumbs = [(phrase("My settings"), reverse("own-settings")), (phrase("My data"), "")]
    return render(request, "prospecting/own_data.html", {"crumbs": crumbs})


class OwnPage:
    """Where one's own settings lead back to; a member's record itself is a keeper's page."""

    def __init__(self, member: Member) -> None:
        self.member = member

    def get_absolute_url(self) -> str:
        return reverse("own-settings")


def _stay_signed_in(request: HttpRequest) -> None:
    """A new password ends every session of its member but this one, which goes on under a new key."""
    before = request.session.session_key
    update_session_auth_hash(request, Member.objects.get(pk=request.user.pk))
    move_sign_in(before=before, now=request.session.session_key)


def _crumbs(*last: str) -> list[tuple[str, str]]:
    return [(phrase("Members"), reverse("member-list")), *((label, "") for label in last)]
