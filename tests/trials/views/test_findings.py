"""Findings, the method and the list of next trials, over one story: a ladder of rinses closed, a clearing test ended."""

import datetime
import re
import uuid
from decimal import Decimal
from html import unescape

import pytest
from django.core.cache import caches
from django.db import transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from prospecting.actions.journal import write_journal
from tests import make
from tests.trials.make_judging import close, in_order, judge, make_rows
from tests.trials.make_trial import log, make_additive, make_closed, make_draft, make_result, make_running
from trials.actions import clearing
from trials.actions.clearing import TubOf
from trials.actions.findings import Evidence, FrozenFigures, keep_finding
from trials.actions.running import close_block, correct_run
from trials.frames.findings import changed_of, figures_of, frozen_of
from trials.frames.method import MOST_SIDE_BY_SIDE
from trials.models import Additive, ClearingTest, Finding, Trial

# Milligrams by block: the low dose goes up and down beside plain water, the high one is twice as good.
GOLD = {
    "plain water": ["8.0", "10.9", "6.1", "9.4", "7.0"],
    "rinse, low": ["11.0", "7.8", "8.9", "6.9", "8.3"],
    "rinse, high": ["17.5", "19.0", "13.5", "17.0", "16.8"],
}


def gold_of(planned) -> str:
    return GOLD[planned.treatment.name][planned.block.number - 1]


def play() -> None:
    member = make.make_member(username="writer", mass_unit="lb", first_name="Wren")
    lot = make.make_lot("30000", member=member, is_dry=True)
    make_closed(
        gold_of,
        lot=lot,
        names=tuple(GOLD),
        blocks=5,
        member=member,
        panner=member,
        question="How little rinse?",
    )
    floc = make_additive("Floc", "flocculant", member)
    test = clearing.add_clearing_test(
        question="How little floc?",
        measure=ClearingTest.Measure.CLEAR_MM,
        target=Decimal(150),
        tubs=[TubOf(f"c{n}") for n in range(4)]
        + [TubOf(f"f{n}", floc, Decimal("0.1"), "0.1 mL/L") for n in range(4)],
        recorded_by=member,
    )
    began = timezone.now() - datetime.timedelta(hours=2)
    for place, tub in enumerate(
        clearing.begin_tubs(tubs=list(test.tubs.all()), began_at=began, recorded_by=member)
    ):
        minutes, value = (60, 90) if tub.is_control else (10 + place, 160)
        clearing.read_tub(tub=tub, minutes=Decimal(minutes), value=Decimal(value), recorded_by=member)
    clearing.end_test(test=test, ended_at=timezone.now(), recorded_by=member)
    keep(member, Trial.objects.get(question="How little rinse?"))


def keep(member, *trials: Trial, **fields) -> Finding:
    rinse = Additive.objects.get(name="Rinse")
    dose = {"additive": rinse, "ml_per_l": Decimal("0.2"), "dose_typed": "0.2 mL/L"}
    return keep_finding(
        **{"about": "additive", "stand": "do", "sentence": "Rinse every tub.", "concluded_by": "Wren"}
        | dose
        | fields,
        concluded_on=make.DAY,
        evidence=Evidence(trials, [], lambda record: FrozenFigures(**vars(frozen_of(record, member))), {}),
        recorded_by=member,
    )


@pytest.fixture(scope="module")
def story(django_db_setup, django_db_blocker):
    """Played once for this module, in a transaction that is taken back at its end."""
    with django_db_blocker.unblock(), transaction.atomic():
        play()
        yield
        transaction.set_rollback(True)


@pytest.fixture
def writer(story, db) -> Client:
    from prospecting.models import Member

    client = Client()
    client.member = Member.objects.get(username="writer")
    client.force_login(client.member)
    return client


@pytest.fixture
def finding(story, db) -> Finding:
    """The one the story keeps: rinse at the high dose."""
    return Finding.objects.get()


@pytest.fixture
def trial(story, db) -> Trial:
    return Trial.objects.get(question="How little rinse?")


def words(response) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", response.content.decode())).split())


def body(trial: Trial | None = None, **changes) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "sentence": "Two drops of rinse in every tub.",
        "stand": "do",
        "about": "additive",
        "additive": Additive.objects.get(name="Rinse").pk,
        "dose": "0.2 mL/L",
        "why": "Shown, and cheap.",
        "concluded_by": "Wren, Robin",
        "concluded_on": "2026-05-04",
        "trials": [trial.pk] if trial else [],
        "clearing_tests": [],
        "seen": "",
    } | changes


ADD = reverse("finding-add")


def add(client: Client, trial: Trial | None = None, **changes) -> Finding:
    response = client.post(ADD, body(trial, **changes))
    assert response.status_code == 302, words(response)
    return Finding.objects.get(pk=response["Location"].rstrip("/").rpartition("/")[2])


def correct(trial: Trial, treatment: str, gold: str | None = None, **fields) -> None:
    """A keeper corrects every run of this treatment after the trial was closed."""
    keeper = make.make_member("keeper", first_name="Kit")
    for planned in trial.planned_runs.filter(treatment__name=treatment):
        result = make_result(planned.run.panner, gold, **fields)
        correct_run(run=planned.run, result=result, reason="read from the wrong line", recorded_by=keeper)


# Before the story begins


def test_an_empty_method_says_what_to_do_first(client_as):
    page = words(client_as("member").get(reverse("house-method")))
    assert "First close a trial and read its verdict together" in page
    assert "Indication only. Small trials" not in page


def test_an_empty_list_says_what_to_do_first(client_as):
    page = words(client_as("guest").get(reverse("next-trials")))
    assert "Run one trial of one additive against plain water" in page
    assert "Plan this trial" not in page


# Recording


def test_the_form_shows_what_the_evidence_says_and_keeps_it_frozen(
    writer, trial, django_assert_max_num_queries
):
    with django_assert_max_num_queries(20):
        page = writer.get(f"{ADD}?trial={trial.pk}")
    assert "rinse, high recovers more than plain water." in words(page)
    seen = page.context["form"].initial["seen"]
    finding = add(writer, trial, seen=seen)
    piece = finding.evidence.get()
    assert piece.figures == figures_of(trial, writer.member)
    low, high = piece.figures["verdicts"]
    assert (low["kind"], high["kind"]) == ("not shown", "better")
    assert high["lower"] < high["ratio"] < high["upper"]
    assert high["doses"] == [[Additive.objects.get(name="Rinse").pk, "0.2"]]
    assert piece.figures["table"]["rows"][0][:2] == ["plain water (control)", "5 of 5"]
    assert set(piece.versions) == {"site", "python", "numpy", "scipy"}
    assert finding.ml_per_l == Decimal("0.2")


def test_a_second_tap_keeps_one_finding(writer, trial):
    typed = body(trial)
    first, second = writer.post(ADD, typed), writer.post(ADD, typed)
    assert first["Location"] == second["Location"]
    assert Finding.objects.count() == 2
    other = writer.post(ADD, typed | {"sentence": "Something else"})
    assert "already recorded once, with other values" in words(other)
    assert Finding.objects.count() == 2


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        # Tried and not shown; never tried at that dose.
        ({"dose": "0.1 mL/L"}, "The evidence did not show it: rinse, low: not shown."),
        ({"dose": "0.15 mL/L"}, "The evidence did not show it: Rinse at 0.15 mL/L was not tried in it."),
    ],
)
def test_what_was_not_shown_is_asked_about_and_stands_on_the_page_for_ever(writer, trial, changes, said):
    asked = writer.post(ADD, body(trial, **changes))
    assert asked.status_code == 200
    assert said in words(asked)
    assert "Yes, keep it as typed" in words(asked)
    assert Finding.objects.count() == 1
    finding = add(writer, trial, keep_as_typed="on", **changes)
    assert said in words(writer.get(finding.get_absolute_url()))
    # Also when the records come to show it later: what was concluded was concluded then.
    correct(trial, "rinse, low", "30.0")
    assert said in words(writer.get(finding.get_absolute_url()))


def test_another_stand_is_not_asked_and_a_clearing_test_is_evidence(writer, trial):
    add(writer, trial, stand="do_not", dose="0.1 mL/L")
    test = ClearingTest.objects.get()
    floc = Additive.objects.get(name="Floc")
    page = writer.get(f"{ADD}?clearing={test.pk}")
    assert page.context["form"].initial["additive"] == floc.pk
    finding = add(
        writer,
        about="flocculant",
        additive=floc.pk,
        dose="0.1 mL/L",
        clearing_tests=[test.pk],
        sentence="Floc.",
    )
    figures = finding.evidence.get().figures
    assert [(row["kind"], row["doses"]) for row in figures["verdicts"]] == [("better", [[floc.pk, "0.1"]])]
    assert "Floc, 0.1 mL/L clears faster than the control" in words(writer.get(finding.get_absolute_url()))
    assert "The evidence did not show it" not in words(writer.get(finding.get_absolute_url()))


def test_a_record_changed_while_one_wrote_is_noticed_and_shown_anew(writer, trial):
    seen = writer.get(f"{ADD}?trial={trial.pk}").context["form"].initial["seen"]
    correct(trial, "rinse, high", "8.0")
    typed = body(trial, seen=seen, stand="open")
    answer = writer.post(ADD, typed)
    assert "were changed while you wrote" in words(answer)
    assert Finding.objects.count() == 1
    # The page now shows, and sends along, what the records say since.
    assert answer.context["form"]["seen"].value() != seen
    assert writer.post(ADD, typed | {"seen": answer.context["form"]["seen"].value()}).status_code == 302


NONSENSE = [
    "\0",
    "-1",
    "1e400",
    "9" * 40,
    "٣٤",
    "3,5 lb",
    "x" * 10_000,
    "<script>",
    "NaN",
    "0 mL/L",
    "\ud800",
    " ",
]
FIELDS = ["dose", "concluded_on", "additive", "stand", "about", "trials", "clearing_tests", "identity"]


def test_nonsense_is_refused_with_a_sentence_and_kept(writer, trial):
    for place, text in enumerate(NONSENSE):
        name = FIELDS[place % len(FIELDS)]
        # What cannot even be sent in UTF-8 goes as a browser would send it.
        answer = writer.post(ADD, body(trial, **{name: text.encode("utf-8", "replace").decode()}))
        assert answer.status_code == 200, (name, text)
        assert 'role="alert"' in answer.content.decode(), (name, text)
        assert "Shown, and cheap." in words(answer)
    for name in ("sentence", "concluded_by"):
        for text in ("", " ", "\0", "x" * 10_000):
            assert writer.post(ADD, body(trial, **{name: text})).status_code == 200
    assert Finding.objects.count() == 1


def test_nonsense_in_what_was_seen_changes_nothing(writer, trial):
    told = "x trial trial- trial-x-y trial-٣-a clearing--1-a - -- \u202e trial-" + "9" * 30 + "-a"
    assert add(writer, trial, seen=told).evidence.count() == 1


def test_an_address_that_names_no_evidence_opens_the_empty_form(writer):
    for query in ("?trial=x", "?trial=٣", "?trial=" + "9" * 30, "?trial=0", "?clearing=-1", "?trial="):
        page = writer.get(ADD + query)
        assert page.status_code == 200
        assert "What the evidence says today" not in words(page)


def test_open_trials_cannot_be_evidence(writer, trial):
    for make_open in (make_draft, make_running):
        open_one = make_open(question="Still going?")
        assert "Still going?" not in words(writer.get(f"{ADD}?trial={open_one.pk}"))
        answer = writer.post(ADD, body(open_one))
        assert answer.status_code == 200
        assert Finding.objects.count() == 1


def test_evidence_is_needed_but_for_an_open_question(writer):
    assert "Choose the trial or clearing test it rests on" in words(writer.post(ADD, body()))
    finding = add(writer, stand="open", additive="", dose="", sentence="Is a deeper pan better?")
    assert "it is an open question, not a result" in words(writer.get(finding.get_absolute_url()))


def test_more_evidence_than_can_be_weighed_is_refused(writer, trial):
    many = [trial.pk]
    for place in range(6):
        other = make_running(question=f"Another {place}?", blocks=2)
        Trial.objects.filter(pk=other.pk).update(state=Trial.State.CLOSED, closed_at=timezone.now())
        many.append(other.pk)
    assert "Choose at most 6" in words(writer.post(ADD, body(trial, trials=many)))


# What stands, and what changes under it


@pytest.mark.parametrize(
    "change",
    [
        {"gold": "8.0"},
        {"gold": None, "failed": True, "fail_kind": "spilled", "fail_reason": "spilled at the scale"},
    ],
    ids=["corrected", "failed"],
)
def test_frozen_figures_stay_when_runs_change_and_the_page_says_so(writer, finding, trial, change):
    before = finding.evidence.get().figures
    assert changed_of([finding.evidence.get()]) == set()
    assert "have changed since" not in words(writer.get(finding.get_absolute_url()))
    correct(trial, "rinse, high", **change)
    assert finding.evidence.get().figures == before
    page = words(writer.get(finding.get_absolute_url()))
    assert "rinse, high recovers more than plain water." in page
    assert "The records have changed since." in page
    ratio = before["verdicts"][1]["ratio"]
    assert f"better: {ratio:.3g} (" in page.replace("Then", "")
    assert "not shown" in page.partition("What reads otherwise now")[2]
    assert "Kit: Run" in page
    assert "(read from the wrong line)" in page
    assert "Records have changed since they were read" in words(writer.get(reverse("house-method")))
    assert "stands; its records have changed since" in words(writer.get(reverse("finding-list")))


def test_a_guest_is_told_of_changes_but_not_of_the_journal(finding, trial, client_as):
    correct(trial, "rinse, high", "8.0")
    page = words(client_as("guest").get(finding.get_absolute_url()))
    assert "5 changes on record since." in page
    assert "read from the wrong line" not in page
    assert "Replace it" not in page


def test_what_does_not_touch_the_evidence_is_no_change(writer, finding):
    write_journal(member=writer.member, about=make.make_claim(), what="something elsewhere")
    assert changed_of([finding.evidence.get()]) == set()


def test_taking_back_needs_the_recorder_or_a_keeper_and_a_reason(writer, finding, client_as):
    address = reverse("finding-take-back", args=[finding.pk])
    other = client_as("member").post(address, {"identity": str(uuid.uuid4()), "reason": "I disagree"})
    assert "Only Wren, who recorded it, or a keeper takes it back." in words(other)
    for reason in ("", " ", "x" * 201):
        answer = writer.post(address, {"identity": str(uuid.uuid4()), "reason": reason})
        assert answer.status_code == 200
    assert Finding.objects.standing().count() == 1
    typed = {"identity": str(uuid.uuid4()), "reason": "the wrong trial"}
    assert writer.post(address, typed).status_code == writer.post(address, typed).status_code == 302
    page = words(writer.get(finding.get_absolute_url()))
    assert "Taken back" in page
    assert "the wrong trial" in page
    assert "No finding stands yet" in words(writer.get(reverse("house-method")))


def test_a_replaced_finding_leads_to_the_new_one(writer, finding, trial):
    old = finding
    address = reverse("finding-replace", args=[old.pk])
    form = writer.get(address).context["form"]
    assert form["trials"].value() == [trial.pk]
    assert form["dose"].value() == "0.2 mL/L"
    typed = body(trial, sentence="One drop is enough.", dose="0.2 mL/L")
    assert writer.post(address, typed).status_code == writer.post(address, typed).status_code == 302
    new = Finding.objects.standing().get()
    assert Finding.objects.count() == 2
    assert "One drop is enough." in words(writer.get(old.get_absolute_url()))
    assert "In the place of Rinse every tub." in words(writer.get(new.get_absolute_url()))
    again = writer.post(address, body(trial))
    assert "replaced already" in words(again)


@pytest.mark.parametrize("name", ["finding-detail", "finding-take-back", "finding-replace"])
def test_a_finding_that_is_none_is_not_found(writer, name):
    assert writer.get(reverse(name, args=[9999])).status_code == 404


def test_who_may_read_and_who_may_write(writer, finding, trial, client_as):
    reads = [reverse(name) for name in ("finding-list", "house-method", "next-trials")]
    reads.append(finding.get_absolute_url())
    writes = [ADD, *(reverse(f"finding-{act}", args=[finding.pk]) for act in ("take-back", "replace"))]
    guest, nobody = client_as("guest"), Client()
    assert {guest.get(url).status_code for url in reads} == {200}
    assert {guest.get(url).status_code for url in writes} == {403}
    assert {guest.post(url, body(trial)).status_code for url in [*reads, *writes]} <= {403, 405}
    assert {nobody.get(url).status_code for url in [*reads, *writes]} == {302}
    assert {writer.post(url, body(trial)).status_code for url in reads} == {405}
    assert Finding.objects.count() == 1


# The method


def test_the_method_says_dose_as_poured_how_sure_and_what_is_open(
    writer, finding, trial, django_assert_max_num_queries
):
    keep(
        writer.member,
        trial,
        stand="do_not",
        ml_per_l=Decimal("0.1"),
        dose_typed="0.1 mL/L",
        sentence="No low dose.",
    )
    add(writer, stand="open", additive="", dose="", sentence="Is a deeper pan better?", about="gear")
    with django_assert_max_num_queries(20):
        page = words(writer.get(reverse("house-method")))
    # 0.2 mL/L in 9 L is 1.8 mL, at 20 drops to the mL 36 of them (common practice, no source).
    assert "36 drops in a tub of 9 L 0.2 mL/L" in page
    assert page.index("What goes into the water") < page.index("We don’t") < page.index("Open questions")
    assert "rinse, high recovers more than plain water. About" in page
    assert "95 % interval" in page
    assert "Additives harm fish" in page
    assert f"As it stands on {timezone.localdate():%-d %b %Y}" in page
    assert "Not shown is not the same as no effect" in page


def test_of_many_findings_in_one_matter_the_newest_stand_in_full_and_the_rest_are_counted(
    writer, finding, trial
):
    for number in range(MOST_SIDE_BY_SIDE + 1):
        keep(writer.member, trial, sentence=f"Rinse every tub, said {number} times.")
    add(writer, stand="open", additive="", dose="", sentence="Is a deeper pan better?", about="gear")
    page = words(writer.get(reverse("house-method")))
    assert f"{MOST_SIDE_BY_SIDE + 2} findings stand side by side here." in page
    assert "2 older findings stand in this matter too: all findings has them." in page
    assert "said 0 times" not in page
    assert "said 1 times" in page
    assert page.index(f"said {MOST_SIDE_BY_SIDE} times") < page.index("said 1 times")
    assert "Is a deeper pan better?" in page
    assert "older finding" not in page.partition("Open questions")[2]


# Next trials


def test_the_list_names_what_is_left_open_by_cost(writer, finding, trial, django_assert_max_num_queries):
    add(writer, stand="open", additive="", dose="", sentence="Is a deeper pan better?", about="gear")
    address = reverse("next-trials")
    page = words(writer.get(address))
    for said in (
        # Each rule of this story, once.
        "“rinse, low” was not shown in 5 blocks, too few to see 1.25 times",
        "The dose lies halfway, as ratios go",
        "Does it hold in new blocks: “rinse, high”? Shown better in one trial only.",
        "and the method rests on it.",
        "Does Floc cost gold at",
        "Is a deeper pan better?",
        "30 min a run, assumed: nobody has timed one",
    ):
        assert page.count(said) >= 1, said
    shown = [float(each) for each in re.findall(r"one in ([\d.]+) h", page)]
    assert len(shown) == 5
    assert shown == sorted(shown)
    assert f'href="{reverse("trial-add")}?lot={trial.feed_lot.code}"' in writer.get(address).content.decode()
    with django_assert_max_num_queries(4):
        writer.get(address)
    # Another line of the journal has the list drawn anew, but no trial read anew.
    write_journal(member=writer.member, about=make.make_claim(), what="something elsewhere")
    with django_assert_max_num_queries(20):
        writer.get(address)


def test_pages_cost_the_same_however_many_trials_they_rest_on(
    writer, finding, trial, django_assert_max_num_queries, settings, tmp_path
):
    """Drawn anew, with nothing kept, after records of every trial changed: one query more for each changed piece's journal."""
    trials = [trial]
    trials += [make_closed(gold_of, names=tuple(GOLD), blocks=5, member=writer.member) for _ in range(3)]
    rows = make_rows(blocks=2, names=tuple(GOLD), member=writer.member)
    for block in rows.blocks.all():
        judge(block, in_order("rinse, high", "rinse, low", "plain water"))
    trials.append(close(rows))
    several = keep(writer.member, *trials)
    for each in trials[:-1]:
        correct(each, "rinse, high", "8.0")
    settings.CACHES = settings.CACHES | {"results": settings.CACHES["results"] | {"LOCATION": tmp_path}}
    pieces = several.evidence.select_related("trial")
    with django_assert_max_num_queries(9):
        assert changed_of(pieces) == {piece.pk for piece in pieces if piece.trial != rows}
    for address, most in [
        (reverse("next-trials"), 20),
        (reverse("house-method"), 20),
        (reverse("finding-list"), 20),
        (finding.get_absolute_url(), 20),
        (several.get_absolute_url(), 20 + len(trials) - 1),
        (reverse("trial-verdict", args=[rows.pk]), 20),
        (reverse("trial-verdict", args=[trial.pk]), 20),
    ]:
        caches["results"].clear()
        with django_assert_max_num_queries(most):
            assert writer.get(address).status_code == 200


def test_what_is_being_tried_is_left_out_and_a_correction_moves_the_list(writer, trial):
    address = reverse("next-trials")
    assert "Does it hold in new blocks" in words(writer.get(address))
    correct(trial, "rinse, high", "8.0")
    assert "Does it hold in new blocks" not in words(writer.get(address))
    make_draft(names=("plain water", "low again", "high again"), member=writer.member)
    page = words(writer.get(address))
    assert "was not shown in" not in page
    assert "were not shown in" not in page
    assert "is about already (2 treatments)" in page


def test_nothing_weighed_is_evidence_too_and_no_page_falls_over(writer):
    """All below the scale in two blocks: no ratio, no figures, only sentences."""
    empty = make_running(blocks=2, member=writer.member, question="Anything at all?")
    for planned in empty.planned_runs.all():
        log(planned, writer.member, None, below_scale=True)
    for block in empty.blocks.all():
        close_block(block=block, closed_by=writer.member)
    empty.refresh_from_db()
    kept = keep(writer.member, empty, additive=None, ml_per_l=None, dose_typed="", sentence="Pan it all.")
    page = words(writer.get(kept.get_absolute_url()))
    assert "The evidence did not show it: rinse: not shown." in page
    for text in (page, words(writer.get(reverse("house-method"))), words(writer.get(reverse("next-trials")))):
        assert not re.search(r"\b(nan|inf|None)\b", text)
