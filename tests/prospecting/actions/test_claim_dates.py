import datetime
from threading import Barrier, Thread

import pytest
from django.core.exceptions import PermissionDenied
from django.db import connection
from django.utils import timezone

from prospecting.actions import claim_dates
from prospecting.actions.refusal import Refused
from prospecting.models import ClaimDate, JournalEntry
from tests.make import make_claim, make_claim_date, make_member

pytestmark = pytest.mark.django_db

DUE = datetime.date(2027, 9, 1)


def values(**fields) -> dict:
    return {
        "what": "yearly fee",
        "due_on": DUE,
        "remind_days": 60,
        "is_yearly": True,
        "watched_by": None,
        "note": "",
    } | fields


def stands() -> tuple:
    return list(ClaimDate.objects.order_by("pk").values_list()), JournalEntry.objects.count()


def test_a_member_adds_changes_and_keeps_a_date_and_the_next_year_is_written_down():
    member, claim = make_member(), make_claim("Lantern")
    date = claim_dates.add_claim_date(claim=claim, recorded_by=member, **values(watched_by=member))
    claim_dates.change_claim_date(date=date, recorded_by=member, **values(watched_by=member, note="form 7"))
    claim_dates.keep_claim_date(
        date=date,
        done_on=timezone.localdate(),
        done_how="receipt 12",
        next_due_on=datetime.date(2028, 9, 1),
        recorded_by=member,
    )
    kept, following = ClaimDate.objects.order_by("pk")
    assert (kept.done_by, kept.done_how) == (member, "receipt 12")
    assert (following.due_on, following.done_on) == (datetime.date(2028, 9, 1), None)
    assert (following.what, following.note, following.watched_by, following.is_yearly) == (
        "yearly fee",
        "form 7",
        member,
        True,
    )
    assert list(ClaimDate.objects.open()) == [following]
    assert [entry.what for entry in JournalEntry.objects.about(kept)] == [
        f"kept on {timezone.localdate():%d %b %Y}",
        "claim date changed",
        "claim date added for Lantern",
    ]


def test_a_change_that_changes_nothing_leaves_no_line():
    member, claim = make_member(), make_claim()
    date = claim_dates.add_claim_date(claim=claim, recorded_by=member, **values())
    claim_dates.change_claim_date(date=date, recorded_by=member, **values())
    assert JournalEntry.objects.about(date).count() == 1


def test_guests_change_nothing():
    guest, date = make_member("guest"), make_claim_date()
    before = stands()
    for act in (
        lambda: claim_dates.add_claim_date(claim=date.claim, recorded_by=guest, **values()),
        lambda: claim_dates.change_claim_date(date=date, recorded_by=guest, **values()),
        lambda: claim_dates.keep_claim_date(date=date, done_on=DUE, done_how="x", recorded_by=guest),
        lambda: claim_dates.void_claim_date(date=date, reason="x", voided_by=guest),
    ):
        with pytest.raises(PermissionDenied):
            act()
    assert stands() == before


def test_what_is_in_the_books_already_is_refused_until_it_is_kept_or_voided():
    member, claim = make_member(), make_claim()
    date = claim_dates.add_claim_date(claim=claim, recorded_by=member, **values())
    with pytest.raises(Refused) as refused:
        claim_dates.add_claim_date(claim=claim, recorded_by=member, **values(what="YEARLY fee"))
    assert (refused.value.code, refused.value.field) == ("date_twice", "due_on")
    claim_dates.add_claim_date(claim=make_claim(), recorded_by=member, **values())
    claim_dates.void_claim_date(date=date, reason="wrong year", voided_by=member)
    claim_dates.add_claim_date(claim=claim, recorded_by=member, **values())


@pytest.mark.parametrize(
    ("fields", "code"),
    [
        ({"due_on": datetime.date(9999, 1, 1)}, "too_far"),
        ({"watched_by": "guest"}, "no_watcher"),
        ({"watched_by": "gone"}, "no_watcher"),
    ],
)
def test_refuses_what_cannot_be(fields, code):
    member, claim = make_member(), make_claim()
    if fields.get("watched_by"):
        gone = fields["watched_by"] == "gone"
        fields = {"watched_by": make_member(is_active=False) if gone else make_member("guest")}
    with pytest.raises(Refused) as refused:
        claim_dates.add_claim_date(claim=claim, recorded_by=member, **values(**fields))
    assert refused.value.code == code
    assert stands() == ([], 0)


@pytest.mark.parametrize(
    ("fields", "code", "field"),
    [
        ({"done_on": datetime.date(2999, 1, 1)}, "day_in_future", "done_on"),
        ({"done_how": "  "}, "how_missing", "done_how"),
        ({"next_due_on": DUE}, "next_too_early", "next_due_on"),
        ({"next_due_on": datetime.date(9999, 1, 1)}, "too_far", "next_due_on"),
    ],
)
def test_a_date_kept_wrongly_stays_open(fields, code, field):
    member = make_member()
    date = make_claim_date(due_on=DUE, is_yearly=True)
    before = stands()
    facts = {"done_on": timezone.localdate(), "done_how": "receipt", "next_due_on": None} | fields
    with pytest.raises(Refused) as refused:
        claim_dates.keep_claim_date(date=date, recorded_by=member, **facts)
    assert (refused.value.code, refused.value.field) == (code, field)
    assert stands() == before


def test_what_is_kept_or_voided_is_not_kept_changed_or_voided_again():
    member = make_member("keeper")
    kept, void = make_claim_date(what="a"), make_claim_date(what="b")
    done = {"done_on": timezone.localdate(), "done_how": "receipt", "recorded_by": member}
    claim_dates.keep_claim_date(date=kept, **done)
    claim_dates.void_claim_date(date=void, reason="typed in twice", voided_by=member)
    before = stands()
    for date, code in ((kept, "kept_already"), (void, "date_void")):
        with pytest.raises(Refused) as refused:
            claim_dates.keep_claim_date(date=date, **done)
        assert refused.value.code == code
        with pytest.raises(Refused) as refused:
            claim_dates.change_claim_date(date=date, recorded_by=member, **values())
        assert refused.value.code == code
    with pytest.raises(Refused, match="voided already"):
        claim_dates.void_claim_date(date=void, reason="again", voided_by=member)
    assert stands() == before


class TestReopen:
    @pytest.fixture
    def kept(self):
        member = make_member()
        date = make_claim_date(due_on=DUE, what="yearly fee", is_yearly=True)
        return claim_dates.keep_claim_date(
            date=date,
            done_on=timezone.localdate(),
            done_how="receipt 12",
            next_due_on=datetime.date(2028, 9, 1),
            recorded_by=member,
        )

    def test_makes_it_open_again_and_keeps_how_it_was_said_to_be_kept(self, kept):
        keeper = kept.done_by
        date = claim_dates.reopen_claim_date(date=kept, reason=" wrong  one ", reopened_by=keeper)
        date.refresh_from_db()
        assert (date.is_open, date.done_by, date.done_how) == (True, None, "")
        assert set(ClaimDate.objects.open().values_list("due_on", flat=True)) == {
            DUE,
            datetime.date(2028, 9, 1),
        }
        entry = JournalEntry.objects.about(date).first()
        assert (entry.member, entry.why) == (keeper, "wrong  one")
        assert entry.changes["how it was kept"] == ["receipt 12", ""]
        assert entry.changes["kept by"] == [str(keeper), ""]
        # It is kept once more like any other; its next one stands already.
        done = {
            "date": date,
            "done_on": timezone.localdate(),
            "done_how": "receipt 13",
            "recorded_by": keeper,
        }
        with pytest.raises(Refused) as refused:
            claim_dates.keep_claim_date(next_due_on=datetime.date(2028, 9, 1), **done)
        assert (refused.value.code, refused.value.field) == ("date_twice", "next_due_on")
        assert not claim_dates.keep_claim_date(**done).is_open

    def test_is_for_who_marked_it_or_a_keeper(self, kept):
        for other, problem in ((make_member(), Refused), (make_member("guest"), PermissionDenied)):
            with pytest.raises(problem):
                claim_dates.reopen_claim_date(date=kept, reason="no", reopened_by=other)
        assert claim_dates.reopen_claim_date(
            date=kept, reason="no", reopened_by=make_member("keeper")
        ).is_open

    def test_refuses_what_cannot_be_and_changes_nothing(self, kept):
        keeper = make_member("keeper")
        still_open, void = make_claim_date(what="a"), make_claim_date(what="b", voided_at=timezone.now())
        make_claim_date(kept.claim, due_on=DUE, what="Yearly FEE")
        before = stands()
        for date, reason, code in (
            (still_open, "x", "not_kept"),
            (void, "x", "not_kept"),
            (kept, "  ", "reason_missing"),
            (kept, "x", "date_twice"),
        ):
            with pytest.raises(Refused) as refused:
                claim_dates.reopen_claim_date(date=date, reason=reason, reopened_by=keeper)
            assert refused.value.code == code
        assert stands() == before


def test_open_and_over_part_all_dates():
    """The list, the calendar and a single date ask the same."""
    kept, void = make_claim_date(what="a", days=-400), make_claim_date(what="b", days=-400)
    claim_dates.keep_claim_date(
        date=kept, done_on=timezone.localdate(), done_how="x", recorded_by=make_member()
    )
    claim_dates.void_claim_date(date=void, reason="x", voided_by=make_member("keeper"))
    is_open, recent = make_claim_date(what="c", days=-400), make_claim_date(what="d", days=-3)
    assert set(ClaimDate.objects.open()) == {is_open, recent}
    assert set(ClaimDate.objects.over()) == {kept, void}
    assert {date for date in ClaimDate.objects.all() if date.is_open} == {is_open, recent}
    since = timezone.localdate() - datetime.timedelta(days=365)
    assert list(ClaimDate.objects.open_or_due_since(since)) == [is_open, recent]


def test_who_typed_it_in_voids_it_or_a_keeper():
    writer, other, keeper = make_member(), make_member(), make_member("keeper")
    date = make_claim_date(recorded_by=writer)
    with pytest.raises(Refused) as refused:
        claim_dates.void_claim_date(date=date, reason="no", voided_by=other)
    assert refused.value.code == "not_yours"
    with pytest.raises(Refused) as refused:
        claim_dates.void_claim_date(date=date, reason=" ", voided_by=keeper)
    assert refused.value.field == "reason"
    claim_dates.void_claim_date(date=date, reason="wrong claim", voided_by=keeper)
    claim_dates.void_claim_date(date=make_claim_date(recorded_by=writer), reason="wrong", voided_by=writer)


def test_a_watcher_who_left_stays_on_the_date_but_not_on_the_next():
    member, watcher = make_member(), make_member()
    date = make_claim_date(due_on=DUE, is_yearly=True, watched_by=watcher)
    watcher.is_active = False
    watcher.save()
    claim_dates.change_claim_date(date=date, recorded_by=member, **values(watched_by=watcher, note="n"))
    claim_dates.keep_claim_date(
        date=date,
        done_on=timezone.localdate(),
        done_how="receipt",
        next_due_on=datetime.date(2028, 9, 1),
        recorded_by=member,
    )
    assert ClaimDate.objects.open().get().watched_by is None


@pytest.mark.django_db(transaction=True)
def test_two_who_keep_it_at_once_write_one_next_year():
    members, date = [make_member(), make_member()], make_claim_date(due_on=DUE, is_yearly=True)
    barrier, refusals = Barrier(2), []

    def keep(member):
        try:
            barrier.wait()
            claim_dates.keep_claim_date(
                date=date,
                done_on=timezone.localdate(),
                done_how="receipt",
                next_due_on=datetime.date(2028, 9, 1),
                recorded_by=member,
            )
        except Refused as refused:
            refusals.append(refused.code)
        finally:
            connection.close()

    threads = [Thread(target=keep, args=[member]) for member in members]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert refusals == ["kept_already"]
    assert ClaimDate.objects.count() == 2
