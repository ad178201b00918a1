import uuid

import pytest
from django.urls import reverse

from prospecting.actions.journal import write_journal
from prospecting.models import JournalEntry
from prospecting.tables.journal import device_words
from tests.make import make_claim, make_member, make_zone


def page_of(client, **query) -> str:
    answer = client.get(reverse("journal"), query)
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.mark.django_db
def test_members_read_the_journal_and_guests_do_not(client_as, client):
    assert client.get(reverse("journal")).status_code == 302
    assert client_as("guest").get(reverse("journal")).status_code == 403
    assert "Nothing has been recorded yet" in page_of(client_as("member"))
    assert client_as("member").post(reverse("journal")).status_code == 405


@pytest.mark.django_db
def test_newest_lines_come_first_by_pages(client_as, django_assert_max_num_queries):
    writers, claim = [make_member() for _ in range(5)], make_claim()
    for number in range(60):
        write_journal(member=writers[number % 5], about=claim, what=f"line <{number}>")
    member = client_as("member")
    with django_assert_max_num_queries(19):
        first = page_of(member)
    assert first.index("line &lt;59&gt;") < first.index("line &lt;58&gt;")
    assert "line &lt;9&gt;" not in first
    assert "line &lt;9&gt;" in page_of(member, page=2)
    assert "60 in all" in first


@pytest.mark.django_db
@pytest.mark.parametrize(
    "query", [{"page": "x"}, {"page": "99"}, {"sort": "nonsense"}, {"member": "x"}, {"kind": "\x00"}]
)
def test_nonsense_in_the_address_shows_the_journal(client_as, query):
    write_journal(member=make_member(), about=make_claim(), what="seen")
    assert "seen" in page_of(client_as("member"), **query)


@pytest.mark.django_db
def test_the_journal_is_narrowed_to_a_member_and_a_kind_of_record(client_as):
    first, second = make_member(), make_member()
    write_journal(member=first, about=make_claim(), what="about a claim")
    write_journal(member=second, about=make_zone(), what="about a zone")
    reader = client_as("member")
    by_first = page_of(reader, member=first.pk)
    assert "about a claim" in by_first
    assert "about a zone" not in by_first
    of_zones = page_of(reader, kind="zone")
    assert "about a zone" in of_zones
    assert "about a claim" not in of_zones
    assert "No line is like that" in page_of(reader, kind="zone", member=first.pk)


@pytest.mark.django_db
def test_a_line_shows_what_changed_why_and_on_which_device(client_as):
    keeper, claim = client_as("keeper"), make_claim("Lantern", kind="lode")
    keeper.post(
        reverse("claim-edit", args=[claim.pk]),
        {"identity": str(uuid.uuid4()), "name": "Lantern", "kind": "placer"},
        headers={"user-agent": "Browser/5 (Phone 14; hand-held) Engine/3"},
    )
    page = page_of(keeper)
    assert "kind: lode → placer" in page
    assert "Phone 14; hand-held" in page
    assert f'href="{claim.get_absolute_url()}"' in page
    assert JournalEntry.objects.get().device.startswith("Browser/5")


@pytest.mark.parametrize(
    ("agent", "words"),
    [("A/1 (Phone) B/2", "Phone"), ("plain-client/1.0", "plain-client/1.0"), ("(" * 90, "(" * 48)],
)
def test_a_device_is_named_in_few_words(agent, words):
    assert device_words(agent) == words
