"""Whether an analysis still stands on the records it was made from: one hash over all that it reads."""

import hashlib
import json
import sys
from collections import defaultdict
from collections.abc import Iterable
from importlib.metadata import version

from django.core.serializers.json import DjangoJSONEncoder
from django.db.models import Model, QuerySet

from prospecting.models import Contamination
from prospecting.version import site_version
from trials.models import (
    ClearingTest,
    ColourCount,
    Dose,
    Judging,
    KeyOpening,
    PlannedRun,
    Run,
    SettledMud,
    TailsPan,
    Treatment,
    Trial,
    Tub,
    Weighing,
)

# What reckons, beside the site itself.
RECKONED_WITH = ("numpy", "scipy")
ORIGIN = (
    "feed_lot__origins__pk",
    "feed_lot__origins__share",
    "feed_lot__origins__dig__station",
    "feed_lot__origins__dig__zone__name",
    "feed_lot__origins__dig__zone__claim__name",
)
# What a run used, to ask for marks that reach it; the hash holds the marks.
USE = ("run__lot", "run__lot__is_marked", "run__step__done_on", "run__step__voided_at")


def hash_of_trial(trial: Trial) -> str:
    """64 signs that change with anything a reading of this trial shows: plan, runs, judgings, key, origins, names, marks."""
    return hashes_of_trials([trial])[trial.pk]


def hashes_of_trials(trials: Iterable[Trial]) -> dict[int, str]:
    """The same of each of these closed trials; seven queries however many they are, two more where a lot carries a mark."""
    keys = {trial.pk for trial in trials}
    runs = {"run__planned__trial__in": keys}
    whole = _rows_by(
        Trial.objects.filter(pk__in=keys).order_by("pk", "feed_lot__origins__pk"),
        "pk",
        (*_columns(Trial), "feed_lot__code", "feed_lot__is_dry", "new_lot__code", *ORIGIN),
    )
    planned = _rows_by(
        PlannedRun.objects.filter(trial__in=keys).order_by("pk"),
        "trial",
        ("pk", "treatment", "blind_code", "run_order", "portion", "block__number", "block__closed_at")
        + _columns(Run, "run__")
        + ("run__panner__first_name", "run__panner__last_name", "run__panner__username")
        + ("run__step__voided_at", "run__step__void_reason")
        + (*_columns(TailsPan, "run__tails_pan__"), *_columns(SettledMud, "run__settled_mud__"), *USE),
    )
    treatments = _rows_by(
        Treatment.objects.filter(trial__in=keys).order_by("pk", "levels__pk", "doses__pk"),
        "trial",
        _columns(Treatment)
        + ("levels__name", "levels__ml_per_l", "levels__factor__name")
        + (*_columns(Dose, "doses__"), "doses__additive__name", "doses__additive__kind"),
    )
    tables = [
        _rows_by(
            ColourCount.objects.filter(**runs).order_by("pk"), "run__planned__trial", _columns(ColourCount)
        ),
        _rows_by(Weighing.objects.filter(**runs).order_by("pk"), "run__planned__trial", _columns(Weighing)),
        _rows_by(
            Judging.objects.filter(block__trial__in=keys).order_by("pk", "places__pk"),
            "block__trial",
            (*_columns(Judging), "judge__username", "places__planned", "places__place"),
        ),
        _rows_by(
            KeyOpening.objects.filter(trial__in=keys).order_by("pk"),
            "trial",
            ("pk", "member__username", "opened_at", "reason"),
        ),
    ]
    marks = Contamination.objects.reaching_each(_marked_uses(planned))
    return {
        key: _hash(
            [row[: -len(ORIGIN)] for row in whole[key][:1]],
            treatments[key],
            [row[: -len(USE)] for row in planned[key]],
            *(table[key] for table in tables),
            [row[-len(ORIGIN) :] for row in whole[key] if row[-len(ORIGIN)] is not None],
            [(mark.pk, mark.lot.code, mark.kind, mark.what) for mark in marks.get(key, [])],
        )
        for key in keys
    }


def hash_of_clearing(test: ClearingTest) -> str:
    """The same of a clearing test: its tubs, what was put in, and every standing look at them."""
    return hashes_of_clearings([test])[test.pk]


def hashes_of_clearings(tests: Iterable[ClearingTest]) -> dict[int, str]:
    """The same of each of these clearing tests, in four queries."""
    keys = {test.pk for test in tests}
    if not keys:
        return {}
    tubs = Tub.objects.filter(test__in=keys)
    tables = [
        _rows_by(ClearingTest.objects.filter(pk__in=keys), "pk", _columns(ClearingTest)),
        _rows_by(
            tubs.order_by("pk"),
            "test",
            ("pk", "label", "is_control", "additive__name", "ml_per_l", "dose_typed", "began_at"),
        ),
        _rows_by(
            # As they were read; tubs without a look have none to be ordered by.
            tubs.filter(readings__voided_at__isnull=True).order_by("readings__pk", "pk"),
            "test",
            ("pk", "readings__minutes", "readings__value", "readings__beyond", "readings__photo"),
        ),
        _rows_by(
            SettledMud.objects.filter(tub__test__in=keys).order_by("pk"), "tub__test", _columns(SettledMud)
        ),
    ]
    return {key: _hash(*(table[key] for table in tables)) for key in keys}


def versions() -> dict[str, str]:
    """What reckoned: the site, Python and the libraries, each with its version."""
    return {"site": site_version(), "python": sys.version.split()[0]} | {
        name: version(name) for name in RECKONED_WITH
    }


def _columns(model: type[Model], before: str = "") -> tuple[str, ...]:
    return tuple(f"{before}{field.attname}" for field in model._meta.concrete_fields)


def _rows_by(rows: QuerySet, whose: str, columns: Iterable[str]) -> dict[int, list[tuple]]:
    """These columns of the rows, in their order, by whose they are."""
    found: dict[int, list[tuple]] = defaultdict(list)
    for key, *row in rows.values_list(whose, *columns):
        found[key].append(tuple(row))
    return found


def _marked_uses(planned: dict[int, list[tuple]]) -> set[tuple]:
    """(trial, lot, day) of every standing run whose lot carries a mark."""
    return {
        (trial, lot, done_on)
        for trial, rows in planned.items()
        for *_, lot, is_marked, done_on, voided_at in rows
        if is_marked and voided_at is None
    }


def _hash(*tables: list[tuple]) -> str:
    return hashlib.sha256(json.dumps(tables, cls=DjangoJSONEncoder).encode()).hexdigest()
