import uuid

import pytest
from django.urls import reverse

from prospecting.actions.contamination import mark_lot
from prospecting.actions.material import void_step
from prospecting.models import Contamination, Lot
from tests.make import make_lot, make_member

pytestmark = pytest.mark.django_db


def typed(**more) -> dict:
    return {"identity": str(uuid.uuid4()), "kind": "spill", "what": "Off the tailgate", "since": ""} | more


def test_marks_once_however_often_it_is_sent(client_as, django_assert_max_num_queries):
    lot, client = make_lot(), client_as("member")
    url, data = reverse("lot-mark", args=[lot.code]), typed(since="2026-05-03")
    with django_assert_max_num_queries(20):
        assert "mark goes to everything" in client.get(url).content.decode()
    for _ in range(2):
        answer = client.post(url, data)
        assert (answer.status_code, answer["Location"]) == (302, lot.get_absolute_url())
    mark = Contamination.objects.get()
    assert (mark.lot, mark.kind, str(mark.since), mark.recorded_by) == (
        lot,
        "spill",
        "2026-05-03",
        client.member,
    )
    assert "Off the tailgate" in client.get(url).content.decode()
    assert client.post(url, data | {"what": "else"}).status_code == 200
    assert Contamination.objects.count() == 1


@pytest.mark.parametrize(
    ("field", "text"),
    [
        ("kind", ""),
        ("kind", "cursed"),
        ("what", ""),
        ("what", "   "),
        ("what", "x" * 301),
        ("what", "a\0b"),
        ("since", "yesterday"),
        ("since", "2999-01-01"),
        ("since", "0001-01-01"),
        ("since", "٢٠٢٦-٠٥-٣٣"),
    ],
)
def test_refuses_nonsense_beside_its_field(client_as, field, text):
    lot = make_lot()
    page = client_as("member").post(reverse("lot-mark", args=[lot.code]), typed(**{field: text}))
    assert page.status_code == 200
    assert page.context["form"].errors[field]
    assert page.context["form"][field].value() == text
    assert not Contamination.objects.exists()
    assert not Lot.objects.filter(is_marked=True).exists()


def test_blank_and_strange_posts_store_nothing(client_as):
    lot, client = make_lot(), client_as("member")
    for data in ({}, {"identity": "not one"}):
        assert client.post(reverse("lot-mark", args=[lot.code]), data).status_code == 200
    assert not Contamination.objects.exists()


def test_lifting_is_for_who_marked_and_for_keepers(client_as, client, django_assert_max_num_queries):
    owner, lot = client_as("member"), make_lot()
    mark = mark_lot(lot=lot, kind="mixed_up", what="two tags", recorded_by=owner.member)
    url = reverse("mark-lift", args=[mark.pk])
    with django_assert_max_num_queries(20):
        assert "two tags" in owner.get(url).content.decode()
    page = client_as("member").post(url, {"identity": str(uuid.uuid4()), "reason": "mine"})
    assert "Only who marked the lot" in page.content.decode()
    page = owner.post(url, {"identity": str(uuid.uuid4()), "reason": "  "})
    assert page.context["form"].errors["reason"]
    mark.refresh_from_db()
    assert mark.lifted_at is None
    data = {"identity": str(uuid.uuid4()), "reason": "found the right tag"}
    for _ in range(2):
        assert owner.post(url, data)["Location"] == lot.get_absolute_url()
    mark.refresh_from_db()
    assert mark.lift_reason == "found the right tag"
    assert "found the right tag" in client_as("keeper").get(url).content.decode()
    page = client_as("keeper").post(url, {"identity": str(uuid.uuid4()), "reason": "again"})
    assert "found the right tag" in page.content.decode()
    mark.refresh_from_db()
    assert mark.lifted_by == owner.member


def test_pages_are_for_members_and_standing_lots(client_as, client):
    lot = make_lot()
    mark = mark_lot(lot=lot, kind="spill", what="spilled", recorded_by=make_member())
    urls = [reverse("lot-mark", args=[lot.code]), reverse("mark-lift", args=[mark.pk])]
    for url in urls:
        assert client.get(url).status_code == 302
        assert client_as("guest").get(url).status_code == 403
        assert client_as("guest").post(url, typed()).status_code == 403
        assert client_as("keeper").get(url).status_code == 200
    void_step(step=lot.made_by, reason="no such dig", voided_by=make_member("keeper"))
    assert client_as("member").get(urls[0]).status_code == 404
    assert client_as("member").get(reverse("mark-lift", args=[9999])).status_code == 404


def test_the_list_of_lots_says_so(client_as):
    make_lot()
    lot = make_lot()
    mark_lot(lot=lot, kind="spill", what="spilled", recorded_by=make_member())
    words = client_as("guest").get(reverse("lot-list")).content.decode()
    assert words.count("contamination marked") == 1
