import datetime
import uuid
from decimal import Decimal
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from prospecting.actions.material import NewLot, void_step
from prospecting.actions.steps import record_dig
from prospecting.models import Claim, Delivery, Dig, Lot, Photo, Zone
from tests.make import DAY, make_claim, make_claim_date, make_lot, make_member, make_zone


def claim_form(**values) -> dict:
    return {"identity": str(uuid.uuid4()), "name": "Lantern", "kind": "lode"} | values


def zone_form(**values) -> dict:
    return {"identity": str(uuid.uuid4()), "name": "North", "stripe": "a"} | values


def dig_form(zone: Zone, **values) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "zone": zone.pk,
        "station": "N7",
        "done_on": "2026-05-03",
        "digger": "Bo Tarn",
        "sample_kind": "chip",
        "is_dry": "wet",
        "mass_1": "10",
    } | values


def make_dig(**facts) -> Dig:
    facts = {"zone": None, "latitude": Decimal("41.123456"), "longitude": Decimal("-105.654321")} | facts
    facts["zone"] = facts["zone"] or make_zone()
    return record_dig(
        station="N7",
        dug_on=DAY,
        digger="Bo Tarn",
        sample_kind="chip",
        buckets=[NewLot(kind=Lot.Kind.BUCKET, mass_g=Decimal(9000), typed="9 kg")],
        recorded_by=facts.pop("member", None) or make_member(),
        **facts,
    ).dig


def picture(name: str = "hole.jpg", data: bytes | None = None) -> SimpleUploadedFile:
    buffer = BytesIO()
    Image.new("RGB", (40, 30), "brown").save(buffer, "JPEG")
    return SimpleUploadedFile(name, buffer.getvalue() if data is None else data, "image/jpeg")


# Who may open what


@pytest.mark.django_db
def test_each_page_opens_for_its_role_within_twenty_queries(client_as, client, django_assert_max_num_queries):
    dig = make_dig()
    for _ in range(6):
        make_dig(zone=dig.zone)
    zone, claim = dig.zone, dig.zone.claim
    least = {
        reverse("zone-list"): "guest",
        reverse("claim-detail", args=[claim.pk]): "guest",
        reverse("dig-list"): "guest",
        dig.get_absolute_url(): "guest",
        reverse("dig-add"): "member",
        f"{reverse('dig-add')}?again={dig.pk}": "member",
        reverse("zone-add", args=[claim.pk]): "member",
        reverse("zone-edit", args=[zone.pk]): "member",
        reverse("claim-add"): "keeper",
        reverse("claim-edit", args=[claim.pk]): "keeper",
    }
    roles = ["guest", "member", "keeper"]
    clients = {role: client_as(role) for role in roles}
    for url, needed in least.items():
        assert client.get(url).url.startswith(reverse("sign-in")), url
        for role in roles:
            may = roles.index(role) >= roles.index(needed)
            with django_assert_max_num_queries(19):
                assert clients[role].get(url).status_code == (200 if may else 403), (url, role)


@pytest.mark.django_db
def test_a_guest_posts_nothing(client_as):
    guest, zone = client_as("guest"), make_zone()
    assert guest.post(reverse("dig-add"), dig_form(zone)).status_code == 403
    assert guest.post(reverse("zone-add", args=[zone.claim_id]), zone_form()).status_code == 403
    assert client_as("member").post(reverse("claim-add"), claim_form()).status_code == 403
    assert Dig.objects.count() == 0
    assert Zone.objects.count() == Claim.objects.count() == 1


@pytest.mark.django_db
@pytest.mark.parametrize("name", ["claim-detail", "claim-edit", "zone-add", "zone-edit", "dig-detail"])
def test_what_is_not_there_is_a_missing_page(client_as, name):
    assert client_as("keeper").get(reverse(name, args=[999_999])).status_code == 404


# Positions and photos are for members


@pytest.mark.django_db
def test_guests_never_see_the_position_or_the_photo(client_as):
    member = client_as("member")
    member.post(
        reverse("dig-add"),
        dig_form(make_zone(), latitude="41.123456", longitude="105.654321 W", photo=picture()),
    )
    dig = Dig.objects.get()
    seen = member.get(dig.get_absolute_url()).content.decode()
    assert "41.123456, -105.654321" in seen
    assert dig.photo.get_absolute_url() in seen
    guest = client_as("guest")
    urls = [
        reverse("zone-list"),
        reverse("dig-list"),
        dig.zone.claim.get_absolute_url(),
        dig.get_absolute_url(),
    ]
    for url in [*urls, dig.step.get_absolute_url()]:
        page = guest.get(url).content.decode()
        assert "41.12" not in page
        assert "105.65" not in page
        assert "/photos/" not in page


@pytest.mark.django_db
def test_guests_do_not_see_what_a_public_register_would_place(client_as):
    claim = make_claim(
        serial_number="AB-12",
        holder="Tarn",
        note="by the cairn",
        permission="hand tools",
        legal_description="section 14, the meridian of the maps",
        county_record="book 12, page 40",
        located_on=datetime.date(2019, 5, 9),
    )
    guest = client_as("guest").get(claim.get_absolute_url()).content.decode()
    member = client_as("member").get(claim.get_absolute_url()).content.decode()
    for text in ("AB-12", "Tarn", "by the cairn", "section 14", "page 40", "9 May 2019"):
        assert text not in guest
        assert text in member
    assert "hand tools" in guest


# Ground


@pytest.mark.django_db
def test_empty_ground_says_what_to_do_first(client_as):
    assert reverse("claim-add") in client_as("keeper").get(reverse("zone-list")).content.decode()
    assert "A keeper adds the first claim" in client_as("member").get(reverse("zone-list")).content.decode()
    page = client_as("member").get(reverse("dig-add")).content.decode()
    assert "there is none yet" in page
    assert '<form method="post" enctype' not in page
    assert "Nothing has been dug yet" in client_as("guest").get(reverse("dig-list")).content.decode()


@pytest.mark.django_db
def test_the_ground_page_counts_the_digs_that_stand(client_as):
    zone, member = make_zone(name="North vein"), make_member()
    make_lot(zone=zone, day=datetime.date(2026, 5, 1))
    make_lot(zone=zone, day=datetime.date(2026, 5, 9))
    wrong = make_lot(zone=zone, member=member, day=datetime.date(2026, 6, 1))
    void_step(step=wrong.made_by, reason="weighed twice", voided_by=member)
    page = client_as("guest").get(reverse("zone-list")).content.decode()
    assert "North vein" in page
    assert "2 digs, the last on 09 May 2026" in page


@pytest.mark.django_db
@pytest.mark.parametrize(("days", "marked"), [(-3, True), (30, True), (90, False)])
def test_a_date_near_or_past_is_marked(client_as, days, marked):
    claim = make_claim_date(days=days, what="fee for the year").claim
    for url in (reverse("zone-list"), claim.get_absolute_url()):
        page = client_as("member").get(url).content.decode()
        assert ('class="waiting"' in page) is marked
        assert "fee for the year" in page
        assert "Reminder, not advice." in page
        assert "fee for the year" not in client_as("guest").get(url).content.decode()


@pytest.mark.django_db
def test_a_claim_is_added_once_however_often_it_is_sent(client_as):
    keeper, form = client_as("keeper"), claim_form(located_on="2019-09-01")
    assert keeper.post(reverse("claim-add"), form).url == keeper.post(reverse("claim-add"), form).url
    assert Claim.objects.get().located_on == datetime.date(2019, 9, 1)


@pytest.mark.django_db
@pytest.mark.parametrize(
    "values",
    [
        {"name": ""},
        {"name": "  "},
        {"name": "n" * 300},
        {"name": "a\x00b"},
        {"kind": "moon"},
        {"located_on": "soon"},
        {"located_on": "0026-09-01"},
        {"located_on": "2999-01-01"},
        {"acreage": "20.66 acres, " * 9},
        {"county_record": "book 7 " * 40},
        {"legal_description": "x" * 9999},
        {"note": "x" * 9999},
    ],
)
def test_a_claim_that_cannot_be_is_refused_and_what_was_typed_kept(client_as, values):
    answer = client_as("keeper").post(reverse("claim-add"), claim_form(holder="Old Tarn & Co", **values))
    assert answer.status_code == 200
    page = answer.content.decode()
    assert "Old Tarn &amp; Co" in page
    assert 'role="alert"' in page
    assert not Claim.objects.exists()
    assert not Delivery.objects.exists()


@pytest.mark.django_db
def test_a_claim_is_changed(client_as):
    claim = make_claim("Lantern", holder="Tarn", located_on=datetime.date(2019, 9, 1))
    keeper, url = client_as("keeper"), reverse("claim-edit", args=[claim.pk])
    assert 'value="2019-09-01"' in keeper.get(url).content.decode()
    assert keeper.post(url, claim_form(holder="Bo")).url == claim.get_absolute_url()
    claim.refresh_from_db()
    assert (claim.holder, claim.located_on) == ("Bo", None)


@pytest.mark.django_db
@pytest.mark.parametrize(
    "values", [{"name": ""}, {"name": "n" * 99}, {"stripe": "z"}, {"stripe": ""}, {"note": "x" * 9999}]
)
def test_a_zone_that_cannot_be_is_refused(client_as, values):
    claim = make_claim()
    answer = client_as("member").post(reverse("zone-add", args=[claim.pk]), zone_form(**values))
    assert answer.status_code == 200
    assert 'role="alert"' in answer.content.decode()
    assert not Zone.objects.exists()


@pytest.mark.django_db
def test_a_member_adds_and_renames_a_zone(client_as):
    member, claim = client_as("member"), make_claim()
    added = member.post(reverse("zone-add", args=[claim.pk]), zone_form())
    zone = Zone.objects.get()
    assert added.url == zone.get_absolute_url()
    twice = member.post(reverse("zone-add", args=[claim.pk]), zone_form(name="NORTH"))
    assert "already" in twice.content.decode()
    member.post(reverse("zone-edit", args=[zone.pk]), zone_form(name="South"))
    zone.refresh_from_db()
    assert zone.name == "South"


# Digs


@pytest.mark.django_db
def test_a_dig_fills_buckets_and_leads_to_their_tags(client_as):
    member, zone = client_as("member"), make_zone(stripe="c")
    answer = member.post(
        reverse("dig-add"), dig_form(zone, mass_2="21 lb 4 oz", mass_5="9,5", title="rusty", width="45")
    )
    dig = Dig.objects.get()
    assert answer.url == dig.get_absolute_url()
    assert dig.width_cm == 45
    buckets = list(dig.step.made.order_by("pk"))
    # 21 lb 4 oz = 21.25 x 453.592 37 g (NIST Handbook 44, appendix C).
    assert [lot.mass_g for lot in buckets] == [Decimal(10000), Decimal("9638.83786"), Decimal(9500)]
    assert {(lot.title, lot.stripe, lot.is_dry) for lot in buckets} == {("rusty", "c", False)}
    page = member.get(answer.url).content.decode()
    assert "Write each code on its bucket" in page
    for lot in buckets:
        assert lot.get_absolute_url() in page
        assert reverse("lot-crush", args=[lot.code]) in page
        assert f"lot={lot.code}" in page
    assert "weighed 21 lb 4 oz" in page


@pytest.mark.django_db
def test_digging_again_starts_from_the_last_dig(client_as):
    member = client_as("member")
    dig = make_dig()
    page = member.get(dig.get_absolute_url()).content.decode()
    assert f"{reverse('dig-add')}?again={dig.pk}" in page
    form = member.get(f"{reverse('dig-add')}?again={dig.pk}").content.decode()
    assert f'<option value="{dig.zone_id}" selected>' in form
    assert 'value="N7"' in form
    assert '<option value="chip" selected>' in form
    assert 'value="41.123456"' in form
    assert 'value="-105.654321"' in form
    here = member.get(f"{reverse('dig-add')}?zone={dig.zone_id}").content.decode()
    assert f'<option value="{dig.zone_id}" selected>' in here
    assert f'value="{member.member}"' in here


@pytest.mark.django_db
@pytest.mark.parametrize(
    "query", ["again=x", "again=999999", "again=" + "9" * 40, "zone=-1", "zone=٣", "again=%00", "zone="]
)
def test_nonsense_in_the_address_prefills_nothing(client_as, query):
    make_zone()
    answer = client_as("member").get(f"{reverse('dig-add')}?{query}")
    assert answer.status_code == 200
    assert "Record a dig" in answer.content.decode()


BAD_DIGS = {
    "no zone": {"zone": ""},
    "a zone that is not there": {"zone": "999999"},
    "a zone that is no number": {"zone": "north"},
    "no station": {"station": " "},
    "a long station": {"station": "s" * 99},
    "no day": {"done_on": ""},
    "a day to come": {"done_on": "2199-01-01"},
    "a day long ago": {"done_on": "0001-01-01"},
    "no digger": {"digger": ""},
    "no kind": {"sample_kind": ""},
    "an unknown kind": {"sample_kind": "guess"},
    "neither wet nor dry": {"is_dry": "moist"},
    "no weight": {"mass_1": ""},
    "nonsense": {"mass_1": "a lot"},
    "nothing": {"mass_1": "0"},
    "less than nothing": {"mass_1": "-4"},
    "too much": {"mass_1": "9" * 20},
    "a number without end": {"mass_1": "inf"},
    "an exponent": {"mass_1": "1e400"},
    "a volume": {"mass_1": "5 gal"},
    "an ounce of which kind": {"mass_1": "12 oz"},
    "too small": {"mass_1": "0.000001 g"},
    "a bad further bucket": {"mass_6": "??"},
    "a width that is a mass": {"width": "3 kg"},
    "no width to speak of": {"width": "0.1 mm"},
    "a negative width": {"width": "-3"},
    "a depth that is a mass": {"depth": "3 kg"},
    "a negative depth": {"depth": "-3"},
    "a depth without a number": {"depth": "deep"},
    "half a position": {"latitude": "41"},
    "the other half": {"longitude": "41"},
    "beyond the pole": {"latitude": "91", "longitude": "0"},
    "minutes and seconds": {"latitude": "41 30 00", "longitude": "0"},
    "a null byte": {"station": "N\x00"},
    "a long note": {"note": "x" * 9999},
    "a heavy bucket": {"mass_1": "220"},
    "no identity": {"identity": ""},
}


@pytest.mark.django_db
@pytest.mark.parametrize("values", BAD_DIGS.values(), ids=BAD_DIGS.keys())
def test_a_dig_that_cannot_be_is_refused_and_what_was_typed_kept(client_as, values):
    answer = client_as("member").post(
        reverse("dig-add"), dig_form(make_zone(), title="rusty & heavy") | values
    )
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "rusty &amp; heavy" in page
    assert 'role="alert"' in page
    for text in values.values():
        shown = f'value="{text}"'
        # Texts an input would hold come back in it; choices that are not there and long texts have no such input.
        if text.strip() and values.keys() & {"mass_1", "mass_6", "width", "latitude"} and "\x00" not in text:
            assert shown in page
    assert not Dig.objects.exists()
    assert not Lot.objects.exists()
    assert not Delivery.objects.exists()


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("typed", "grams"), [("١٠", 10000), ("10,5", 10500), ("10.5 kg", 10500), (" 10 500 g ", 10500)]
)
def test_digits_of_any_script_and_commas_are_read(client_as, typed, grams):
    client_as("member").post(reverse("dig-add"), dig_form(make_zone(), mass_1=typed))
    assert Lot.objects.get().mass_g == grams


@pytest.mark.django_db
def test_the_guard_is_answered_with_a_tick(client_as):
    member, form = client_as("member"), dig_form(make_zone(), mass_1="220")
    asked = member.post(reverse("dig-add"), form).content.decode()
    assert "heavier than a bucket one can carry" in asked
    assert 'value="220"' in asked
    assert member.post(reverse("dig-add"), form | {"keep_as_typed": "on"}).status_code == 302
    assert Lot.objects.get().mass_g == 220000


@pytest.mark.django_db
def test_a_dig_sent_twice_is_recorded_once(client_as):
    member, form = client_as("member"), dig_form(make_zone())
    assert member.post(reverse("dig-add"), form).url == member.post(reverse("dig-add"), form).url
    changed = member.post(reverse("dig-add"), form | {"mass_1": "11"})
    assert "with other values" in changed.content.decode()
    other = client_as("member").post(reverse("dig-add"), form)
    assert other.status_code == 200
    assert Dig.objects.count() == Lot.objects.count() == 1


@pytest.mark.django_db
@pytest.mark.parametrize(
    "upload",
    [
        picture("hole.jpg", b"not a picture"),
        picture("hole.jpg", b""),
        picture("hole.svg", b"<svg xmlns='http://www.w3.org/2000/svg'/>"),
    ],
    ids=["text", "empty", "svg"],
)
def test_a_file_that_is_no_photo_is_refused_with_the_dig(client_as, upload):
    answer = client_as("member").post(reverse("dig-add"), dig_form(make_zone(), photo=upload))
    assert answer.status_code == 200
    assert "Please choose the photo again" in answer.content.decode() or "empty" in answer.content.decode()
    assert not Dig.objects.exists()
    assert not Photo.objects.exists()


@pytest.mark.django_db
def test_a_voided_dig_says_so_and_offers_nothing(client_as):
    member = client_as("member")
    dig = make_dig(member=member.member)
    void_step(step=dig.step, reason="weighed twice", voided_by=member.member)
    page = member.get(dig.get_absolute_url()).content.decode()
    assert "weighed twice" in page
    assert "Dig again" not in page
    assert dig.get_absolute_url() not in member.get(reverse("dig-list")).content.decode()
    assert "03 May 2026, voided" in member.get(reverse("dig-list"), {"voided": "on"}).content.decode()
    assert "Record a dig" in member.get(f"{reverse('dig-add')}?again={dig.pk}").content.decode()


@pytest.mark.django_db
def test_digs_come_newest_first_by_pages_and_narrowed(client_as):
    zone, member = make_zone(name="North vein"), make_member()
    for day in range(1, 29):
        make_lot(zone=zone, member=member, day=datetime.date(2026, 4, day), station=f"N{day}")
    make_lot("2500", member=member, day=datetime.date(2026, 3, 1), station="far")
    reader = client_as("guest")
    first = reader.get(reverse("dig-list")).content.decode()
    assert first.index("28 Apr 2026") < first.index("27 Apr 2026")
    assert "29 in all" in first
    assert "far" in reader.get(reverse("dig-list"), {"page": 2}).content.decode()
    one = reader.get(reverse("dig-list"), {"station": "far"}).content.decode()
    assert "2.5 kg" in one
    assert "28 Apr 2026" not in one
    of_zone = reader.get(reverse("dig-list"), {"zone": zone.pk}).content.decode()
    assert "28 in all" in of_zone
    assert reader.get(reverse("dig-list"), {"zone": "x", "page": "y", "sort": "-digger"}).status_code == 200


@pytest.mark.django_db
@pytest.mark.parametrize(("unit", "width"), [("lb", "18 in"), ("kg", "18 in (45.7 cm)")])
def test_the_width_is_shown_as_typed_and_in_the_readers_unit(client_as, unit, width):
    dig = make_dig(width_cm=Decimal("45.7"), width_typed="18 in")
    page = client_as("guest", mass_unit=unit).get(dig.get_absolute_url()).content.decode()
    assert f'<dd class="num">{width}</dd>' in page


@pytest.mark.django_db
@pytest.mark.parametrize(("unit", "depth"), [("lb", "6 ft"), ("kg", "6 ft (1.83 m)")])
def test_the_depth_is_shown_as_typed_and_in_the_readers_unit(client_as, unit, depth):
    dig = make_dig(depth_m=Decimal("1.83"), depth_typed="6 ft")
    page = client_as("guest", mass_unit=unit).get(dig.get_absolute_url()).content.decode()
    assert f'Depth below the surface</dt><dd class="num">{depth}</dd>' in page
    surface = make_dig(depth_m=Decimal(0), depth_typed="0 ft")
    assert "at the surface" in client_as("guest").get(surface.get_absolute_url()).content.decode()


@pytest.mark.django_db
def test_cautions_stand_where_one_digs(client_as):
    make_zone()
    page = client_as("member").get(reverse("dig-add")).content.decode()
    for words in ("Tell someone.", "Pits and faces.", "Old workings.", "Lifting."):
        assert words in page
