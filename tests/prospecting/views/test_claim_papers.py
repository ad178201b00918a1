import re
import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from prospecting.actions.claim_papers import add_claim_paper
from prospecting.models import ClaimPaper, Delivery
from tests.make import make_claim, make_member
from tests.prospecting.actions.test_claim_papers import PDF, picture

pytestmark = pytest.mark.django_db


def make_paper(data: bytes = PDF, *, name: str = "notice.pdf", claim=None, **facts) -> ClaimPaper:
    return add_claim_paper(
        claim=claim or make_claim(),
        upload=SimpleUploadedFile(name, data),
        title=facts.pop("title", "Location notice"),
        recorded_by=facts.pop("member", None) or make_member(),
        **facts,
    )


def form(data: bytes = PDF, name: str = "notice.pdf", **values) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "title": "Location notice",
        "upload": SimpleUploadedFile(name, data),
    } | values


def words(response) -> str:
    assert response.status_code == 200
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def test_papers_are_for_members(client, client_as, django_assert_max_num_queries):
    paper = make_paper(title="The notice", note="by the cairn")
    addresses = [
        reverse("claim-paper-add", args=[paper.claim_id]),
        reverse("claim-paper-file", args=[paper.pk]),
        reverse("claim-paper-void", args=[paper.pk]),
    ]
    guest, member = client_as("guest"), client_as("member")
    for address in addresses:
        assert client.get(address).url.startswith(reverse("sign-in"))
        assert guest.get(address).status_code == 403
        with django_assert_max_num_queries(8):
            assert member.get(address).status_code == 200
    seen = {reader: reader.get(paper.claim.get_absolute_url()).content.decode() for reader in (guest, member)}
    for text in ("The notice", "by the cairn", "claim-papers"):
        assert text not in seen[guest]
        assert text in seen[member]


def test_the_claims_page_reads_no_file(client_as, django_assert_max_num_queries):
    claim = make_claim()
    for number in range(5):
        make_paper(PDF + b"%" * number, claim=claim, title=f"Paper {number}")
    member = client_as("member")
    with django_assert_max_num_queries(19) as asked:
        assert "Paper 4" in words(member.get(claim.get_absolute_url()))
    assert not any("file_bytes" in query["sql"] for query in asked.captured_queries)


def test_a_paper_goes_in_once_and_comes_out_as_it_went_in(client_as):
    member, claim = client_as("member"), make_claim()
    address, identity = reverse("claim-paper-add", args=[claim.pk]), str(uuid.uuid4())
    photo = picture("JPEG")
    for _ in range(2):
        assert (
            member.post(address, form(photo, "cairn.jpg", identity=identity, keep_original="on")).url
            == claim.get_absolute_url()
        )
    paper = ClaimPaper.objects.get()
    answer = member.get(reverse("claim-paper-file", args=[paper.pk]))
    assert answer.content == photo
    assert answer.headers["Content-Type"] == "image/jpeg"
    assert answer.headers["Content-Disposition"] == 'attachment; filename="cairn.jpg"'
    assert answer.headers["Content-Security-Policy"] == "sandbox"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Cache-Control"] == "private, no-store"


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"data": b"hello"}, "Taken: PDF, JPEG, PNG, WebP, HEIC or AVIF"),
        ({"data": b""}, "The file is empty."),
        ({"title": ""}, "This field is required."),
        ({"title": "x" * 121}, "at most 120 characters"),
        ({"dated_on": "yesterday"}, "Write the day as year-month-day"),
        ({"dated_on": "2999-01-01"}, "has not come yet"),
        ({"note": "x" * 2001}, "at most 2000 characters"),
        ({"name": "n" * 240 + ".pdf"}, "name is too long"),
    ],
)
def test_what_cannot_be_kept_is_refused_beside_its_field(client_as, values, said):
    claim = make_claim()
    sent = form(**{"note": "drawer 3 & 4"} | values)
    answer = client_as("member").post(reverse("claim-paper-add", args=[claim.pk]), sent)
    assert said in words(answer)
    assert "drawer 3 &amp; 4" in answer.content.decode() or "note" in values
    assert not ClaimPaper.objects.exists()
    assert not Delivery.objects.exists()


def test_a_missing_file_and_the_same_file_twice(client_as):
    member, paper = client_as("member"), make_paper()
    address = reverse("claim-paper-add", args=[paper.claim_id])
    sent = form()
    del sent["upload"]
    assert "Choose the file." in words(member.post(address, sent))
    assert "This very file is kept already" in words(member.post(address, form(title="Twice")))
    assert ClaimPaper.objects.count() == 1


def test_voiding_leaves_the_paper_to_be_read(client_as):
    keeper, paper = client_as("keeper"), make_paper()
    address = reverse("claim-paper-void", args=[paper.pk])
    sent = {"identity": str(uuid.uuid4()), "reason": "an older copy"}
    assert keeper.post(address, sent).url == paper.get_absolute_url()
    said = words(keeper.get(paper.get_absolute_url()))
    assert "Voided: Location notice" in said
    assert "an older copy" in said
    assert keeper.get(reverse("claim-paper-file", args=[paper.pk])).content == PDF
    assert 'name="identity"' not in keeper.get(address).content.decode()
