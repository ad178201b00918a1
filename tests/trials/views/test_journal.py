import datetime
import json
import uuid
from unittest import mock

import pytest
from django.urls import reverse
from django.utils import timezone

from prospecting.actions.journal import seal_unsealed, write_event, write_journal
from prospecting.actions.journal_check import keep_check, keep_failed_check
from prospecting.frames.journal_chain import check_file, last_check, walked
from prospecting.models import JournalEntry, JournalSeal
from prospecting.tables.journal import device_words
from tests.make import make_claim, make_lot, make_member, make_zone
from tests.trials.make_judging import in_order, judge, make_look, make_rows
from tests.trials.make_trial import log, make_bridge
from trials.actions import judging, planning, running

pytestmark = pytest.mark.django_db
NOON = datetime.datetime(2026, 5, 3, 12, tzinfo=datetime.UTC)


def page_of(client, **query) -> str:
    answer = client.get(reverse("journal"), query)
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.fixture
def data_dir(settings, tmp_path):
    settings.DATA_DIR = tmp_path
    return tmp_path


def test_members_read_the_journal_and_guests_do_not(client_as, client):
    assert client.get(reverse("journal")).status_code == 302
    assert "Nothing has been recorded yet" in page_of(client_as("member"))
    assert client_as("guest").get(reverse("journal")).status_code == 403
    assert client_as("member").post(reverse("journal")).status_code == 405


def test_newest_lines_come_first_and_older_ones_by_pages(client_as, django_assert_max_num_queries):
    writers, claim = [make_member() for _ in range(5)], make_claim()
    for number in range(120):
        write_journal(member=writers[number % 5], about=claim, what=f"line <{number}>")
    oldest = JournalEntry.objects.latest("-pk").pk
    member = client_as("member")
    with django_assert_max_num_queries(19):
        first = page_of(member)
    assert first.index("line &lt;119&gt;") < first.index("line &lt;70&gt;")
    assert "line &lt;69&gt;" not in first and "Newer lines" not in first
    with django_assert_max_num_queries(19):
        second = page_of(member, before=oldest + 70)
    assert "line &lt;69&gt;" in second and "line &lt;20&gt;" in second and "line &lt;19&gt;" not in second
    assert f"after={oldest + 69}" in second and f"before={oldest + 20}" in second
    last = page_of(member, before=oldest + 20)
    assert "line &lt;0&gt;" in last and "Older lines" not in last
    back = page_of(member, after=oldest + 19)
    assert "line &lt;69&gt;" in back and "line &lt;20&gt;" in back and "line &lt;70&gt;" not in back
    assert "Newer lines" not in page_of(member, after=oldest + 69)


@pytest.mark.parametrize(
    "query",
    [
        {"before": "x"},
        {"after": "-1"},
        {"before": "9" * 30},
        {"sort": "nonsense"},
        {"member": "x"},
        {"kind": "\x00"},
        {"record": "1"},
        {"kind": "claim", "record": "x"},
        {"since": "yesterday"},
        {"until": "9999-12-31"},
        {"since": "9999-12-31"},
        {"since": "0001-01-01"},
        {"since": "2026-05-03", "until": "2026-05-02"},
    ],
)
def test_nonsense_in_the_address_filters_nothing(client_as, query):
    write_journal(member=make_member(), about=make_claim(), what="seen")
    page = page_of(client_as("member"), **query)
    assert "seen" in page


def test_a_day_that_can_not_be_is_said_beside_its_field(client_as):
    write_journal(member=make_member(), about=make_claim(), what="seen")
    member = client_as("member")
    assert "Write the day as year-month-day" in page_of(member, since="yesterday")
    assert "This day is before the one above" in page_of(member, since="2026-05-03", until="2026-05-02")


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


def test_the_journal_is_narrowed_to_days_of_the_sites_zone(client_as, settings):
    settings.TIME_ZONE = "America/Denver"
    timezone.get_default_timezone.cache_clear()
    try:
        claim = make_claim()
        # Six hours behind: the first is still on the second of May there, the last already on the fourth.
        for hours, what in [
            (-7, "the day before"),
            (-5, "at its begin"),
            (17, "at its end"),
            (19, "the day after"),
        ]:
            with mock.patch("django.utils.timezone.now", return_value=NOON + datetime.timedelta(hours=hours)):
                write_journal(member=make_member(), about=claim, what=what)
        page = page_of(client_as("member"), since="2026-05-03", until="2026-05-03")
    finally:
        timezone.get_default_timezone.cache_clear()
    assert "at its begin" in page and "at its end" in page
    assert "the day before" not in page and "the day after" not in page


def test_the_lines_of_one_record_stand_alone(client_as):
    one, other = make_claim("Lantern"), make_claim("Other")
    write_journal(member=make_member(), about=one, what="about one")
    write_journal(member=make_member(), about=other, what="about another")
    reader = client_as("member")
    link = f"?kind=claim&amp;record={one.pk}"
    assert link in page_of(reader)
    page = page_of(reader, kind="claim", record=one.pk)
    assert (
        "Journal of Lantern" in page
        and "About: this claim" in page
        and "about one" in page
        and "about another" not in page
    )


def test_lines_about_no_record_are_found_by_what_they_are(client_as):
    for kind in ("sign-in", "export", "keeping"):
        write_event(member=make_member(), kind=kind, label="x", what=f"line of {kind}")
    reader = client_as("member")
    page = page_of(reader, kind="export")
    assert "line of export" in page and "line of keeping" not in page
    assert '<option value="export" selected>what left as a file</option>' in page
    assert "Only some lines" in page and "About: what left as a file" in page


def test_a_look_at_a_key_is_found(client_as):
    trial = make_rows()
    planning.open_key(trial=trial, member=make_member("keeper"), reason="a label fell off")
    page = page_of(client_as("member"), kind="peek")
    assert "opened the mixing sheet" in page and "a label fell off" in page
    assert page.count("opened the mixing sheet") == 1 and "judging" not in page


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


def test_a_line_shows_its_number_and_the_beginning_of_its_seal(client_as):
    write_journal(member=make_member(), about=make_claim(), what="seen")
    seal_unsealed()
    assert f'1 <span class="soft code">{JournalSeal.objects.get().sha256[:8]}</span>' in page_of(client_as())


def test_the_last_check_is_named_only_while_it_is_true(client_as, data_dir):
    write_journal(member=make_member(), about=make_claim(), what="seen")
    seal_unsealed()
    reader, sha256 = client_as("member"), JournalSeal.objects.get().sha256
    assert "have not been checked yet" in page_of(reader)
    told = {"at": NOON.isoformat(), "count": 1, "sha256": sha256}
    check_file().write_text(json.dumps(told))
    assert "on 3 May 2026, 12:00, every line up to number 1 fitted its own" in page_of(reader)
    for other in ({"count": 2}, {"sha256": "0" * 64}):
        check_file().write_text(json.dumps(told | other))
        page = page_of(reader)
        assert "no longer has that line as it was then" in page and "fitted its own" not in page
    for nonsense in ("", "{}", "[1]", '{"at": 3, "count": "x"}'):
        check_file().write_text(nonsense)
        assert "have not been checked yet" in page_of(reader)


def test_a_check_that_failed_is_told_until_one_holds(client_as, data_dir):
    write_journal(member=make_member(), about=make_claim(), what="seen")
    seal_unsealed()
    keep_check(walked(), check_file())
    keep_failed_check("Entry 7 does not fit its seal.", check_file())
    reader, keeper = client_as("member"), client_as("keeper")
    page = page_of(reader)
    assert "failed: Entry 7 does not fit its seal." in page and "fitted its own" not in page
    assert "failed: Entry 7 does not fit its seal." in keeper.get(reverse("keeping")).content.decode()
    # The head of the last good check is still there for the next one.
    assert last_check().count == 1
    keep_check(walked(), check_file())
    assert "fitted its own" in page_of(reader)
    assert "does not fit" not in keeper.get(reverse("keeping")).content.decode()
    check_file().write_text(check_file().read_text().replace('"count": 1', '"count": 2'))
    assert "no longer has link 2" in keeper.get(reverse("keeping")).content.decode()


class TestWhatIsHiddenWhileAKeyIs:
    def test_places_of_a_corrected_judging(self, client_as):
        names = ("plain water", "rinse", "soap")
        block = make_rows(names=names).blocks.first()
        kept = judge(block, in_order(*names))
        look = make_look(block, in_order("rinse", "plain water", "soap"))
        judging.correct_judging(
            judging=kept, look=look, reason="first and second swapped", recorded_by=kept.judge
        )
        code = block.planned_runs.get(treatment__name="rinse").blind_code
        place = f"{code}: 2 → 1"
        for reader in (client_as("member"), client_as("keeper")):
            page = page_of(reader)
            assert "corrected" in page and "shown when the key of its block is open" in page
            assert place not in page and "first and second swapped" not in page
            assert place not in page_of(reader, kind="judging", record=kept.pk)
        running.close_block(block=block, closed_by=kept.judge)
        page = page_of(reader)
        assert place in page and "first and second swapped" in page

    def test_the_lot_a_bridging_run_drew_from(self, client_as):
        trial = make_bridge(make_lot("9000"), make_lot("9000"))
        planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
        run = log(trial.planned_runs.first(), make_member())
        line = JournalEntry.objects.about(run.step).get()
        reader = client_as("member")
        page = page_of(reader, kind="step", record=run.step_id)
        assert "a bridging run drew its portion" in page
        assert line.what not in page


class TestARefusedPage:
    def test_is_kept_once_for_its_address(self, client_as):
        member = client_as("member")
        for _ in range(3):
            assert member.get(reverse("member-list")).status_code == 403
        assert member.post(reverse("claim-add")).status_code == 403
        told = JournalEntry.objects.filter(subject_kind="refusal").order_by("pk")
        assert [(line.member, line.subject_label) for line in told] == [
            (member.member, f"page {reverse('member-list')}"),
            (member.member, f"page {reverse('claim-add')}"),
        ]
        assert "was not let in" in page_of(member, kind="refusal")

    def test_by_an_action_is_kept_too(self, client_as):
        """A judging that belongs to somebody else: the page opens to members, this one it does not."""
        block = make_rows().blocks.first()
        kept = judge(block, in_order("plain water", "rinse"))
        stranger = client_as("member")
        assert stranger.get(reverse("judging-correct", args=[kept.pk])).status_code == 403
        assert JournalEntry.objects.get(subject_kind="refusal").member == stranger.member

    def test_of_nobody_is_not(self, client):
        assert client.get(reverse("member-list")).status_code == 302
        assert not JournalEntry.objects.exists()


@pytest.mark.parametrize(
    ("agent", "words"),
    [("A/1 (Phone) B/2", "Phone"), ("plain-client/1.0", "plain-client/1.0"), ("(" * 90, "(" * 48)],
)
def test_a_device_is_named_in_few_words(agent, words):
    assert device_words(agent) == words
