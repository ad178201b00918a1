"""All outcomes of a trial on one page, its runs as files, and a table of runs read in: one trial, looked at from every side."""

import csv
import io
import math
import re
from decimal import Decimal
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client
from django.urls import reverse

from prospecting.models import Member
from tests import make
from tests.trials.make_trial import log, make_running
from trials.actions import running
from trials.actions.mud import log_run_mud
from trials.frames.verdicts import verdict_of
from trials.models import Run, Trial
from trials.readers.run_table import read_run_table

# Names as a spreadsheet would run them.
NASTY, SCREEN = '=HYPERLINK("http://elsewhere","rinse")', "@screen, second"
NAMES = ("plain water", NASTY, SCREEN)
STATION = "Hidden adit"
COLOURS = {"plain water": (4, 10, 21), NASTY: (8, 21, 44), SCREEN: (4, 11, 22)}
MINUTES = {"plain water": 10, NASTY: 15, SCREEN: 11}
GOLD = {"plain water": "5.0 6.1 4.2 7.7 5.5", NASTY: "6.4 5.9 6.0 8.0 5.1", SCREEN: "5.1 5.3 5.0 6.9 6.2"}


@pytest.fixture(scope="module")
def story(django_db_setup, django_db_blocker):
    """A closed and a running trial, played once for this module in a transaction that is taken back at its end."""
    with django_db_blocker.unblock(), transaction.atomic():
        member = make.make_member()
        lot = make.make_lot("30000", station=STATION)
        trial = make_running(names=NAMES, blocks=5, lot=lot, question="Does it keep fine gold?")
        for planned in trial.planned_runs.select_related("treatment", "block"):
            name, number = planned.treatment.name, planned.block.number
            if name == SCREEN and number == 5:
                log(planned, member, None, failed=True, fail_reason="-spilled", pan="+12 inch")
                continue
            fine, very_fine, flour = COLOURS[name]
            run = log(
                planned,
                member,
                GOLD[name].split()[number - 1],
                colours={
                    "coarse": int(number == 1),
                    "fine": fine + number % 2,
                    "very_fine": very_fine,
                    "flour": flour,
                },
                pan_min=Decimal(MINUTES[name] + number % 3),
                pan="+12 inch",
                water="\tspring",
                note=f"beside {STATION}",
            )
            if number < 5:
                left = {"plain water": "1.5", NASTY: "0.6", SCREEN: "1.4"}[name]
                running.log_tails(
                    run=run, tails=again(member, Decimal(left) + Decimal(number) / 10), recorded_by=member
                )
            if number < 4:
                log_run_mud(
                    run=run, mud=again(member, Decimal("0.2") if number > 1 else None), recorded_by=member
                )
        for block in trial.blocks.all():
            running.close_block(block=block, closed_by=member)
        trial.refresh_from_db()
        yield trial, make_running(names=NAMES, blocks=2)
        transaction.set_rollback(True)


def again(member: Member, gold_mg: Decimal | None) -> running.PannedAgain:
    return running.PannedAgain(
        panned_on=make.DAY,
        panner=member,
        gold_mg=gold_mg,
        gold_typed="" if gold_mg is None else f"{gold_mg} mg",
        below_scale=gold_mg is None,
        scale_step_mg=Decimal("0.1"),
    )


@pytest.fixture
def trial(story, db) -> Trial:
    return story[0]


def as_role(role: str) -> Client:
    client = Client()
    client.force_login(make.make_member(role))
    return client


def text_of(client: Client, trial: Trial) -> str:
    response = client.get(reverse("trial-outcomes", args=[trial.pk]))
    assert response.status_code == 200
    body = re.sub(r"<[^>]+>", " ", response.content.decode())
    text = re.sub(r"\s+", " ", body.replace("&quot;", '"').replace("&#x27;", "'"))
    assert not re.search(r"\b(nan|inf|None)\b", text)
    return text


# The page


def test_a_guest_reads_every_outcome_beside_the_planned_one(trial, django_assert_max_num_queries):
    client = as_role("guest")
    with django_assert_max_num_queries(20):
        text = text_of(client, trial)
    assert "planned to be judged by weighed gold" in text
    for verdict in verdict_of(trial, trial.recorded_by).verdicts:
        assert verdict.headline in text
    assert text.count("fixed at planning: the verdict rests on this") == 1
    assert text.count("looked at afterwards: no verdict") == 5
    # Gold, colours, three sizes, minutes, gold an hour, tails; the mud was not compared.
    assert "8 outcomes are compared on this page" in text
    assert "Under 5 in all, so they say nothing: coarse 3, medium 0." in text
    assert (
        "1 run not done, failed or void" in text
        and "Nothing recorded, or not enough: places side by side." in text
    )


def test_an_outcome_that_sees_more_than_the_verdict_is_a_hint_and_no_verdict(trial):
    text = text_of(as_role("guest"), trial)
    assert f"{NASTY} shows more colours than plain water: about 2.1 times" in text
    assert f"{NASTY}: the verdict by weighed gold is not shown, so this is a hint and no verdict" in text
    assert "plan a new trial judged by colours and let that decide" in text


def test_minutes_are_compared_on_the_log_scale_against_the_control(trial):
    logs = [math.log((15 + number % 3) / (10 + number % 3)) for number in range(1, 6)]
    ratio = math.exp(math.fsum(logs) / 5)
    assert f"{NASTY} takes longer than plain water: about {ratio:.2g} times" in text_of(
        as_role("guest"), trial
    )


def test_tails_give_what_was_caught_with_bounds_for_mud_below_the_scale(trial):
    text = text_of(as_role("guest"), trial)
    caught = [float(mg) for mg in GOLD["plain water"].split()[:4]]
    left = [1.6, 1.7, 1.8, 1.9]
    assert f"{100 * sum(caught) / (sum(caught) + sum(left)):.1f} %" in text
    assert "Panned again for 12 of 14 runs" in text
    # Mud of block 1 lay below the scale in every treatment: bounds, and no comparison.
    assert "only bounds are known, so the treatments are not compared" in text


def test_an_outcome_against_the_verdict_is_said_to_point_the_other_way(trial):
    Trial.objects.filter(pk=trial.pk).update(outcome=Trial.Outcome.COLOURS)
    for run in Run.objects.filter(planned__trial=trial, planned__treatment__name=NASTY):
        Run.objects.filter(pk=run.pk).update(gold_mg=run.gold_mg / 4)
    text = text_of(as_role("guest"), trial)
    assert "planned to be judged by colours counted" in text
    assert f"{NASTY}: this points the other way from the verdict, which is better by colours counted" in text
    assert "The verdict stands" in text


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"gold_mg": None, "below_scale": True}, "Nothing to draw: 14 runs, all below the scale."),
        ({"gold_mg": Decimal(5), "pan_min": Decimal(10)}, "agree to the last digit"),
        (
            {"gold_mg": None, "pan_min": None},
            "Nothing recorded, or not enough: gold by weight, places side by side, minutes",
        ),
        ({"failed": True, "fail_reason": "all gone"}, "gold by weight, colours counted"),
    ],
)
def test_the_edges_end_in_a_sentence(trial, change, said):
    runs = Run.objects.filter(planned__trial=trial, failed=False)
    runs.update(scale_step_mg=Decimal("0.1"), **change)
    assert said in text_of(as_role("guest"), trial)


def test_a_treatment_without_a_run_is_named(trial):
    Run.objects.filter(planned__trial=trial, planned__treatment__name=SCREEN).update(
        failed=True, fail_reason="x"
    )
    assert f"No run of {SCREEN} counts" in text_of(as_role("guest"), trial)


def test_a_running_trial_tells_nothing(story, db):
    text = text_of(as_role("guest"), story[1])
    assert "told when the trial is closed" in text and NASTY not in text


# The files


def rows_of(response) -> list[dict[str, str]]:
    assert response.status_code == 200 and "attachment" in response["Content-Disposition"]
    return list(csv.DictReader(io.StringIO(response.content.decode("utf-8-sig"))))


def test_the_csv_holds_what_the_books_hold_and_nothing_a_spreadsheet_would_run(
    trial, django_assert_max_num_queries
):
    client = as_role("guest")
    with django_assert_max_num_queries(20):
        response = client.get(reverse("trial-runs-csv", args=[trial.pk]))
    rows = rows_of(response)
    assert len(rows) == 15
    for planned in trial.planned_runs.select_related("run", "treatment", "block"):
        row, run = rows[planned.run_order - 1], planned.run
        assert row["code"] == planned.blind_code and int(row["block"]) == planned.block.number
        assert (row["state"], row["why"]) == (("failed", "'-spilled") if run.failed else ("stands", ""))
        assert Decimal(row["portion_g"]) == run.portion_mass_g
        assert (Decimal(row["gold_mg"]) if row["gold_mg"] else None) == run.gold_mg
        total = run.colours_total
        assert (int(row["colours_total"]) if row["colours_total"] else None) == total
        dose = planned.treatment.doses.first()
        assert Decimal(row["dose ml_per_l: Rinse"]) == (dose.ml_per_l if dose else 0)
    assert {row["treatment"] for row in rows} == {"plain water", f"'{NASTY}", f"'{SCREEN}"}
    cells = [cell for row in rows for cell in row.values()]
    # The only cells that may begin so are numbers below zero; there are none here.
    assert not [cell for cell in cells if cell[:1] in tuple("=+-@\t\r")]
    assert STATION not in response.content.decode() and "spring" in response.content.decode()
    assert {row["mud_below_scale"] for row in rows if row["block"] == "1"} == {"yes"}


def test_the_spreadsheet_holds_the_same_and_what_its_columns_mean(trial):
    from openpyxl import load_workbook

    client = as_role("guest")
    response = client.get(reverse("trial-runs-xlsx", args=[trial.pk]))
    book = load_workbook(io.BytesIO(response.content))
    runs, columns = book.worksheets
    names = [cell.value for cell in runs[1]]
    rows = [dict(zip(names, line, strict=True)) for line in runs.iter_rows(min_row=2, values_only=True)]
    for row, same in zip(rows, rows_of(client.get(reverse("trial-runs-csv", args=[trial.pk]))), strict=True):
        for name, cell in row.items():
            if isinstance(cell, int | float):
                assert Decimal(str(cell)) == Decimal(same[name]), name
            elif name != "day":
                assert (cell or "") == same[name], name
    assert all(cell.data_type != "f" for sheet in book for line in sheet.iter_rows() for cell in line)
    told = list(columns.iter_rows(values_only=True))
    assert told[0] == ("column", "what it means", "unit", "an empty cell means")
    assert [line[0] for line in told[1:]] == names and all(line[1] and line[3] for line in told[1:])
    assert [
        row["column"] for row in rows_of(client.get(reverse("trial-columns-csv", args=[trial.pk])))
    ] == names


def test_the_files_read_back_are_the_same_runs(trial):
    client = as_role("guest")
    tables = [
        read_run_table(client.get(reverse(name, args=[trial.pk])).content)
        for name in ("trial-runs-csv", "trial-runs-xlsx")
    ]
    assert tables[0].fingerprint == tables[1].fingerprint and not tables[0].unknown
    assert not tables[0].faults_for("gold_mass") and tables[0].treatments[0] in NAMES


@pytest.mark.parametrize("name", ["trial-runs-csv", "trial-runs-xlsx", "trial-columns-csv"])
def test_no_file_of_a_trial_whose_key_is_hidden(story, db, name):
    for role in ("guest", "keeper"):
        response = as_role(role).get(reverse(name, args=[story[1].pk]), follow=True)
        assert response.redirect_chain == [(reverse("trial-outcomes", args=[story[1].pk]), 302)]
        assert "it would tell which code got which treatment" in response.content.decode()
        assert "screen, second" not in response.content.decode()


# Reading in


def upload(client: Client, data: bytes, name: str = "old.csv"):
    sent = {"identity": str(uuid4()), "upload": SimpleUploadedFile(name, data)}
    return client.post(reverse("trial-import"), sent)


def answers(trial: Trial, **changed) -> dict:
    return {
        "identity": str(uuid4()),
        "question": "The same, years ago",
        "outcome": "gold_mass",
        "control": "plain water",
        "feed_lot": trial.feed_lot_id,
        "portion": "454 g",
        "smallest_ratio": "1.25",
        "water": "9 L",
        "panned_on": "2020-05-03",
        "done_by": Member.objects.filter(role="keeper").latest("pk").pk,
    } | changed


def test_a_keeper_sees_what_was_read_then_records_it_once(trial):
    client = as_role("keeper")
    # The first two blocks of the trial's own file, as another trial's table.
    head, *lines = client.get(reverse("trial-runs-csv", args=[trial.pk])).content.splitlines(keepends=True)
    data = head + b"".join(lines[:6])
    shown = upload(client, data, "old.csv")
    assert shown.status_code == 302
    before = Trial.objects.count()
    body = client.get(shown.url).content.decode()
    assert "Nothing is recorded yet" in body and "6 runs" in body and Trial.objects.count() == before
    wrong = client.post(
        shown.url, answers(trial, portion="-3", smallest_ratio="٣", panned_on="soon", control="brandy")
    )
    assert wrong.status_code == 200 and Trial.objects.count() == before
    assert (
        "Nothing was recorded" in wrong.content.decode() and "The same, years ago" in wrong.content.decode()
    )
    sent = answers(trial)
    lot = trial.feed_lot
    lot.refresh_from_db()
    first = client.post(shown.url, sent)
    assert first.status_code == 302, first.content.decode()
    made = Trial.objects.latest("pk")
    assert first.url == made.get_absolute_url() and made.progress() == {"planned": 6, "logged": 6}
    held = lot.on_hand_g
    lot.refresh_from_db()
    assert held - lot.on_hand_g == 6 * 454
    # The file is let go once recorded; sent again it is the same runs, and refused.
    again = client.post(upload(client, data, "old.csv").url, answers(trial, question="Another name"))
    assert "on the books already" in again.content.decode() and Trial.objects.count() == before + 1
    assert "Typed in afterwards from old.csv" in client.get(first.url).content.decode()
    assert "Typed in afterwards from old.csv" in text_of(as_role("guest"), made)


@pytest.mark.parametrize(
    "data",
    [
        b"PK\x03\x04<script>alert(1)</script>",
        b"treatment,gold_mg\n<script>alert(1)</script>,1\nx,2\n",
        b'treatment,gold_mg\n"never closed,1\n',
        "treatment;gold_mg\nöl;٣\n".encode("utf-16"),
        b"\xff\xfe\x00",
        b"treatment,gold_mg\n" + b"x," + b"9" * 5000 + b"\n",
    ],
)
def test_hostile_files_are_told_of_in_words(trial, data):
    client = as_role("keeper")
    shown = upload(client, data)
    body = client.get(shown.url).content.decode()
    assert "<script>alert" not in body and ('role="alert"' in body or "<table" in body)
