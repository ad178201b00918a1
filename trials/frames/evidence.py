"""Whether an analysis still stands on the records it was made from: one hash over all that it reads."""

import hashlib
import json
import sys
from collections.abc import Iterable
from importlib.metadata import version

from django.core.serializers.json import DjangoJSONEncoder
from django.db.models import Model, QuerySet

from prospecting.version import site_version
from trials.frames.marks import marks_of
from trials.models import (
    ClearingTest,
    ColourCount,
    Dose,
    Judging,
    Run,
    SettledMud,
    TailsPan,
    Treatment,
    Trial,
    Weighing,
)

# What reckons, beside the site itself.
RECKONED_WITH = ("numpy", "scipy")


def hash_of_trial(trial: Trial) -> str:
    """64 signs that change with anything a reading of this trial shows: plan, runs, judgings, key, origins, names, marks."""
    planned = trial.planned_runs.order_by("pk")
    runs = {"run__planned__trial": trial}
    return _hash(
        _rows(
            Trial.objects.filter(pk=trial.pk),
            _columns(Trial),
            "feed_lot__code",
            "feed_lot__is_dry",
            "new_lot__code",
        ),
        _rows(
            trial.treatments.order_by("pk", "levels__pk", "doses__pk"),
            _columns(Treatment),
            "levels__name",
            "levels__ml_per_l",
            "levels__factor__name",
            *_columns(Dose, "doses__"),
            "doses__additive__name",
            "doses__additive__kind",
        ),
        _rows(
            planned,
            ("pk", "treatment", "blind_code", "run_order", "portion", "block__number", "block__closed_at"),
            *_columns(Run, "run__"),
            "run__panner__first_name",
            "run__panner__last_name",
            "run__panner__username",
            "run__step__voided_at",
            "run__step__void_reason",
            *_columns(TailsPan, "run__tails_pan__"),
            *_columns(SettledMud, "run__settled_mud__"),
        ),
        _rows(ColourCount.objects.filter(**runs).order_by("pk"), _columns(ColourCount)),
        _rows(Weighing.objects.filter(**runs).order_by("pk"), _columns(Weighing)),
        _rows(
            Judging.objects.filter(block__trial=trial).order_by("pk", "places__pk"),
            _columns(Judging),
            "judge__username",
            "places__planned",
            "places__place",
        ),
        _rows(trial.key_openings.order_by("pk"), ("pk", "member__username", "opened_at", "reason")),
        _rows(
            trial.feed_lot.origins.order_by("pk"),
            ("pk", "share", "dig__station", "dig__zone__name", "dig__zone__claim__name"),
        ),
        [(mark.pk, mark.lot.code, mark.kind, mark.what) for mark in marks_of(trial)],
    )


def hash_of_clearing(test: ClearingTest) -> str:
    """The same of a clearing test: its tubs, what was put in, and every standing look at them."""
    tubs = test.tubs.order_by("pk")
    return _hash(
        _rows(ClearingTest.objects.filter(pk=test.pk), _columns(ClearingTest)),
        _rows(tubs, ("pk", "label", "is_control", "additive__name", "ml_per_l", "dose_typed", "began_at")),
        _rows(
            tubs.filter(readings__voided_at__isnull=True).order_by("readings__pk"),
            ("pk", "readings__minutes", "readings__value", "readings__beyond", "readings__photo"),
        ),
        _rows(SettledMud.objects.filter(tub__test=test).order_by("pk"), _columns(SettledMud)),
    )


def versions() -> dict[str, str]:
    """What reckoned: the site, Python and the libraries, each with its version."""
    return {"site": site_version(), "python": sys.version.split()[0]} | {
        name: version(name) for name in RECKONED_WITH
    }


def _columns(model: type[Model], before: str = "") -> tuple[str, ...]:
    return tuple(f"{before}{field.attname}" for field in model._meta.concrete_fields)


def _rows(rows: QuerySet, columns: Iterable[str], *more: str) -> list[tuple]:
    return list(rows.values_list(*columns, *more))


def _hash(*tables: list[tuple]) -> str:
    return hashlib.sha256(json.dumps(tables, cls=DjangoJSONEncoder).encode()).hexdigest()
