import pytest
from django.core.exceptions import PermissionDenied
from django.utils import timezone

from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry
from tests.make import DAY, make_member
from tests.trials.actions.test_clearing import make_test
from tests.trials.make_trial import make_draft, make_running
from trials.actions import planning
from trials.actions.clearing import end_test
from trials.actions.findings import Evidence, FrozenFigures, keep_finding, replace_finding, take_back_finding
from trials.models import Finding, FindingEvidence, Trial

pytestmark = pytest.mark.django_db

SAID = FrozenFigures("a" * 64, {"verdicts": []}, {"site": "x"}, "sign")


@pytest.fixture
def closed() -> Trial:
    trial = make_running()
    return planning.close_trial(trial=trial, closed_by=trial.recorded_by, reason="rain")


def keep(member, *trials, stand="do", seen=None, **fields) -> Finding:
    fields = {"about": "additive", "sentence": "Rinse it.", "concluded_by": "All of us"} | fields
    evidence = Evidence(trials, [], lambda record: SAID, seen or {})
    return keep_finding(**fields, stand=stand, concluded_on=DAY, evidence=evidence, recorded_by=member)


def test_keeps_the_evidence_as_it_was_handed_over_and_writes_the_journal(closed):
    member = make_member()
    finding = keep(member, closed)
    piece = finding.evidence.get()
    assert (piece.trial, piece.data_hash, piece.figures, piece.versions) == (
        closed,
        "a" * 64,
        {"verdicts": []},
        {"site": "x"},
    )
    entry = JournalEntry.objects.about(finding).get()
    assert (entry.member, entry.what) == (member, "concluded: we do it so from now on")


@pytest.mark.parametrize(
    ("make", "code"), [(None, "evidence_missing"), (make_draft, "not_closed"), (make_running, "not_closed")]
)
def test_refuses_without_evidence_or_on_an_open_trial_and_keeps_nothing(make, code):
    trials = [make()] if make else []
    with pytest.raises(Refused) as refusal:
        keep(make_member(), *trials)
    assert refusal.value.code == code
    assert not Finding.objects.exists()


def test_an_open_question_stands_without_evidence():
    assert not keep(make_member(), stand="open").evidence.exists()


def test_refuses_when_the_record_no_longer_says_what_was_read(closed):
    with pytest.raises(Refused) as refusal:
        keep(make_member(), closed, seen={("trial", closed.pk): "another sign"})
    assert refusal.value.code == "moved"
    assert not Finding.objects.exists()
    assert not FindingEvidence.objects.exists()
    assert keep(make_member(), closed, seen={("trial", closed.pk): "sign"}).pk


def test_taken_back_by_who_recorded_it_or_a_keeper_once_and_with_a_reason(closed):
    finding = keep(member := make_member(), closed)
    for by, reason, code in [(make_member(), "wrong trial", "not_yours"), (member, "  ", "reason_missing")]:
        with pytest.raises(Refused) as refusal:
            take_back_finding(finding=finding, reason=reason, taken_back_by=by)
        assert refusal.value.code == code
    assert Finding.objects.standing().count() == 1
    keeper = make_member("keeper")
    take_back_finding(finding=finding, reason="wrong trial", taken_back_by=keeper)
    finding.refresh_from_db()
    assert (finding.taken_back_by, finding.taken_back_reason) == (keeper, "wrong trial")
    assert not Finding.objects.standing().exists()
    with pytest.raises(Refused, match="taken back already"):
        take_back_finding(finding=finding, reason="again", taken_back_by=keeper)


def replaced(old, member, *trials, **fields) -> Finding:
    return replace_finding(
        old=old,
        about="additive",
        stand=fields.pop("stand", "do_not"),
        sentence="Leave it.",
        concluded_by="All",
        concluded_on=DAY,
        evidence=Evidence(trials, [], lambda record: SAID, {}),
        recorded_by=member,
    )


def test_a_replaced_finding_stays_as_written_and_leads_on(closed):
    old = keep(member := make_member(), closed)
    new = replaced(old, member, closed)
    old.refresh_from_db()
    assert (old.replaced_by, old.sentence, list(Finding.objects.standing())) == (new, "Rinse it.", [new])
    with pytest.raises(Refused, match="replaced already"):
        replaced(old, member, closed)
    with pytest.raises(Refused, match="replaced already"):
        take_back_finding(finding=old, reason="late", taken_back_by=member)


def test_a_refused_replacement_leaves_the_old_one_standing(closed):
    old = keep(member := make_member(), closed)
    with pytest.raises(Refused):
        replaced(old, member)
    old.refresh_from_db()
    assert old.replaced_by is None
    assert Finding.objects.count() == 1


def test_a_guest_writes_nothing(closed):
    finding, guest = keep(make_member(), closed), make_member("guest")
    for act in (
        lambda: keep(guest, closed),
        lambda: take_back_finding(finding=finding, reason="no", taken_back_by=guest),
        lambda: replaced(finding, guest, closed),
    ):
        with pytest.raises(PermissionDenied):
            act()


def test_a_clearing_test_still_being_watched_is_no_evidence_yet():
    member = make_member()
    test = make_test(member)

    def conclude() -> Finding:
        return keep_finding(
            about="additive",
            stand="do",
            sentence="Let it settle for an hour.",
            concluded_by="All of us",
            concluded_on=DAY,
            evidence=Evidence([], [test], lambda record: SAID, {}),
            recorded_by=member,
        )

    before = JournalEntry.objects.count()
    with pytest.raises(Refused) as refusal:
        conclude()
    assert (refusal.value.code, refusal.value.field) == ("not_ended", "clearing_tests")
    assert (Finding.objects.count(), JournalEntry.objects.count()) == (0, before)
    end_test(test=test, ended_at=timezone.now(), recorded_by=member)
    assert conclude().evidence.get().clearing_test == test
