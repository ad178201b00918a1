"""Every address of the site; those of trials (and the pages that need both sides) are included as text."""

from django.urls import include, path, register_converter
from django.urls.converters import StringConverter

from prospecting.views import (
    api_tokens,
    assays,
    calendar,
    checks,
    claim_dates,
    claim_papers,
    contamination,
    dispatching,
    ground,
    invitations,
    keeping,
    lots,
    members,
    one_time_codes,
    phone,
    phone_entries,
    photos,
    positions,
    sign_ins,
    site,
    steps,
    tags,
    values,
)


class CodeConverter(StringConverter):
    """A lot's or tub's code: letters, digits and hyphens, so that no odd sign of an address reaches the database."""

    regex = "[A-Za-z0-9-]{1,12}"

    def to_python(self, value: str) -> str:
        return value.upper()


class CalendarKeyConverter(StringConverter):
    """The key of a calendar or an invitation: 32 bytes in the letters of an address (actions/calendar_link.py)."""

    regex = "[A-Za-z0-9_-]{43}"


register_converter(CodeConverter, "code")
register_converter(CalendarKeyConverter, "calendar_key")
register_converter(CalendarKeyConverter, "invitation_key")

handler400 = "prospecting.views.site.bad_request"
handler403 = "prospecting.views.site.permission_denied"
handler404 = "prospecting.views.site.page_not_found"
handler500 = "prospecting.views.site.server_error"

urlpatterns = [
    path("sign-in/", site.sign_in, name="sign-in"),
    path("sign-in/code/", site.sign_in_code, name="sign-in-code"),
    path("sign-out/", site.sign_out, name="sign-out"),
    path("join/<invitation_key:key>/", invitations.join_page, name="join"),
    path("health/", site.health, name="health"),
    path("keeping/", keeping.keeping_page, name="keeping"),
    path("worker.js", phone.worker, name="worker"),
    path("manifest.webmanifest", phone.manifest, name="manifest"),
    path("phone/", phone.phone_home, name="phone-home"),
    path("phone/session/", phone_entries.phone_session, name="phone-session"),
    path("phone/held/", phone_entries.held_list, name="held-list"),
    path("phone/held/<int:pk>/", phone_entries.held_detail, name="held-detail"),
    path("phone/held/<int:pk>/set-aside/", phone_entries.held_set_aside, name="held-set-aside"),
    path("my-settings/", members.own_settings, name="own-settings"),
    path("my-password/", members.own_password, name="own-password"),
    path("my-settings/tokens/", api_tokens.api_token_list, name="api-token-list"),
    path("my-settings/tokens/<int:pk>/end/", api_tokens.api_token_end, name="api-token-end"),
    path("members/tokens/", api_tokens.api_token_all, name="api-token-all"),
    path("my-codes/", one_time_codes.own_codes, name="own-codes"),
    path("my-codes/begin/", one_time_codes.own_codes_begin, name="own-codes-begin"),
    path("my-codes/on/", one_time_codes.own_codes_on, name="own-codes-on"),
    path("my-codes/renew/", one_time_codes.own_codes_renew, name="own-codes-renew"),
    path("my-codes/off/", one_time_codes.own_codes_off, name="own-codes-off"),
    path("my-devices/", sign_ins.own_devices, name="own-devices"),
    path("my-devices/<int:pk>/end/", sign_ins.own_device_end, name="own-device-end"),
    path("my-devices/end-others/", sign_ins.own_devices_end, name="own-devices-end"),
    path("my-data/", members.own_data, name="own-data"),
    path("members/", members.member_list, name="member-list"),
    path("members/invitations/", invitations.invitation_list, name="invitation-list"),
    path("members/invite/", invitations.invitation_add, name="invitation-add"),
    path(
        "members/invitations/<int:pk>/withdraw/", invitations.invitation_withdraw, name="invitation-withdraw"
    ),
    path("members/add/", members.member_add, name="member-add"),
    path("members/<int:pk>/edit/", members.member_edit, name="member-edit"),
    path("members/<int:pk>/password/", members.member_password, name="member-password"),
    path("members/<int:pk>/codes/", one_time_codes.member_codes_off, name="member-codes-off"),
    path("members/<int:pk>/sign-out/", sign_ins.member_sign_out, name="member-sign-out"),
    path("ground/", ground.zone_list, name="zone-list"),
    path("claims/add/", ground.claim_add, name="claim-add"),
    path("claims/<int:pk>/", ground.claim_detail, name="claim-detail"),
    path("claims/<int:pk>/edit/", ground.claim_edit, name="claim-edit"),
    path("claims/<int:pk>/dates/add/", claim_dates.claim_date_add, name="claim-date-add"),
    path("claims/<int:pk>/papers/add/", claim_papers.claim_paper_add, name="claim-paper-add"),
    path("claim-dates/", claim_dates.claim_date_list, name="claim-date-list"),
    path("claim-dates/<int:pk>/edit/", claim_dates.claim_date_edit, name="claim-date-edit"),
    path("claim-dates/<int:pk>/keep/", claim_dates.claim_date_keep, name="claim-date-keep"),
    path("claim-dates/<int:pk>/reopen/", claim_dates.claim_date_reopen, name="claim-date-reopen"),
    path("claim-dates/<int:pk>/void/", claim_dates.claim_date_void, name="claim-date-void"),
    path("claim-papers/<int:pk>/file/", claim_papers.claim_paper_file, name="claim-paper-file"),
    path("claim-papers/<int:pk>/void/", claim_papers.claim_paper_void, name="claim-paper-void"),
    path("calendar/", calendar.calendar_link, name="calendar-link"),
    path("calendar/remove/", calendar.calendar_remove, name="calendar-remove"),
    path("calendar/<calendar_key:key>.ics", calendar.calendar_feed, name="calendar-feed"),
    path("claims/<int:pk>/zones/add/", ground.zone_add, name="zone-add"),
    path("zones/<int:pk>/edit/", ground.zone_edit, name="zone-edit"),
    path("claims/<int:pk>/positions/", positions.positions_read, name="positions-read"),
    path("claims/<int:pk>/digs.geojson", positions.positions_geojson, name="positions-geojson"),
    path("claims/<int:pk>/digs.gpx", positions.positions_gpx, name="positions-gpx"),
    path("digs/", ground.dig_list, name="dig-list"),
    path("digs/add/", ground.dig_add, name="dig-add"),
    path("digs/<int:pk>/", ground.dig_detail, name="dig-detail"),
    path("lots/", lots.lot_list, name="lot-list"),
    path("lots/find/", lots.lot_find, name="lot-find"),
    path("lots/tags/", tags.lot_tags, name="lot-tags"),
    path("lots/scan/", tags.lot_scan, name="lot-scan"),
    # As it stands on the tags, in capitals; see calc/tag_address.py.
    path("LOTS/<code:code>/", tags.lot_from_tag, name="lot-from-tag"),
    path("lots/<code:code>/tag/", tags.lot_tag, name="lot-tag"),
    path("lots/blend/", steps.lot_blend, name="lot-blend"),
    path("lots/move/", lots.lots_move, name="lots-move"),
    path("lots/hand-over/", lots.lots_hand_over, name="lots-hand-over"),
    path("lots/reserve/", lots.lots_reserve, name="lots-reserve"),
    path("lots/release/", lots.lots_release, name="lots-release"),
    path("lots/<code:code>/note/", lots.lot_note, name="lot-note"),
    path("lots/<code:code>/move/", lots.lot_move, name="lot-move"),
    path("lots/<code:code>/hand-over/", lots.lot_hand_over, name="lot-hand-over"),
    path("lots/<code:code>/reserve/", lots.lot_reserve, name="lot-reserve"),
    path("lots/<code:code>/release/", lots.lot_release, name="lot-release"),
    path("lots/<code:code>/dry/", steps.lot_dry, name="lot-dry"),
    path("lots/<code:code>/crush/", steps.lot_crush, name="lot-crush"),
    path("lots/<code:code>/screen/", steps.lot_screen, name="lot-screen"),
    path("lots/<code:code>/split/", steps.lot_split, name="lot-split"),
    path("lots/<code:code>/cut/", steps.lot_cut, name="lot-cut"),
    path("lots/<code:code>/take-for-assay/", steps.lot_take_for_assay, name="lot-take-for-assay"),
    path("lots/<code:code>/reweigh/", steps.lot_reweigh, name="lot-reweigh"),
    path("lots/<code:code>/discard/", steps.lot_discard, name="lot-discard"),
    path("lots/<code:code>/mark/", contamination.lot_mark, name="lot-mark"),
    path("marks/<int:pk>/lift/", contamination.mark_lift, name="mark-lift"),
    path("steps/<int:pk>/again/", steps.step_again, name="step-again"),
    path("steps/<int:pk>/void/", steps.step_void, name="step-void"),
    path("photos/<int:pk>/", photos.photo, name="photo"),
    path("photos/<int:pk>/thumb/", photos.photo_thumb, name="photo-thumb"),
    path("photos/<int:pk>/scale/", photos.photo_scale, name="photo-scale"),
    path("laboratories/", dispatching.laboratory_list, name="laboratory-list"),
    path("laboratories/add/", dispatching.laboratory_add, name="laboratory-add"),
    path("laboratories/side-by-side/", checks.laboratory_compare, name="laboratory-compare"),
    path("laboratories/<int:pk>/", checks.laboratory_detail, name="laboratory-detail"),
    path("laboratories/<int:pk>/edit/", dispatching.laboratory_edit, name="laboratory-edit"),
    path("materials/", dispatching.material_list, name="material-list"),
    path("materials/add/", dispatching.material_add, name="material-add"),
    path("materials/<int:pk>/", dispatching.material_detail, name="material-detail"),
    path("materials/<int:pk>/edit/", dispatching.material_edit, name="material-edit"),
    path("dispatches/", dispatching.dispatch_list, name="dispatch-list"),
    path("dispatches/readings/", dispatching.reading_list, name="reading-list"),
    path("dispatches/<int:pk>/edit/", dispatching.dispatch_edit, name="dispatch-edit"),
    path("dispatches/<int:pk>/sent/", dispatching.dispatch_sent, name="dispatch-sent"),
    path("dispatches/<int:pk>/give-up/", dispatching.dispatch_give_up, name="dispatch-give-up"),
    path("dispatches/<int:pk>/labels/", dispatching.dispatch_labels, name="dispatch-labels"),
    path("returns/<int:pk>/", assays.return_detail, name="return-detail"),
    path("returns/<int:pk>/file/", assays.return_file, name="return-file"),
    path("returns/<int:pk>/checks/", checks.return_checks_page, name="return-checks"),
    path("returns/<int:pk>/accept/", checks.return_accept, name="return-accept"),
    path("returns/<int:pk>/judge/", checks.return_judge, name="return-judge"),
    path("dispatches/<int:pk>/rule/", values.dispatch_rule, name="dispatch-rule"),
    path("samples/<int:pk>/", values.sample_detail, name="sample-detail"),
    path("samples/<int:pk>/rule/", values.sample_rule, name="sample-rule"),
    path("samples/<int:pk>/choose/", values.reading_choose, name="reading-choose"),
    path("", include("trials.urls")),
]
