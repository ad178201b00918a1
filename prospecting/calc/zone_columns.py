"""The results of a zone side by side, an array a column: their mean, the richest of them, and what they say dig by dig.

The sums of `zone_grade.mean_grade`, for tens of thousands of results at once. Loads numpy; import it inside the function that
needs it.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from prospecting.calc.zone_digs import DigValue, WithoutRichest
from prospecting.calc.zone_grade import MeanGrade


@dataclass(frozen=True, eq=False)
class Columns:
    """Results as arrays of shape (n,). A grade that was not measured is nan, a limit that is none as well; `share` is the part
    of the lot that is meant, `mass_g` what was panned or sent, `day` an ordinal, `code` the lot's code.
    """

    grade_g_per_t: np.ndarray
    limit_g_per_t: np.ndarray
    is_below: np.ndarray
    is_above: np.ndarray
    mass_g: np.ndarray
    share: np.ndarray
    day: np.ndarray
    code: np.ndarray

    def __len__(self) -> int:
        return len(self.mass_g)

    def at(self, places) -> "Columns":
        """The results at these places, or where this mask is true."""
        return Columns(**{field.name: getattr(self, field.name)[places] for field in fields(self)})

    @property
    def weight_g(self) -> np.ndarray:
        return self.share * self.mass_g


def pan_columns(
    gold_mg: Sequence[float | None],
    scale_step_mg: Sequence[float | None],
    portion_g: Sequence[float],
    share: np.ndarray,
    day: np.ndarray,
    code: Sequence[str],
) -> Columns:
    """Return pans as columns: gold weighed, or None where it lay below one step of the scale.

    Gold below nothing, a portion of no mass or a scale without a step raises ValueError.
    """
    gold, step, mass = (np.array(column, dtype=float) for column in (gold_mg, scale_step_mg, portion_g))
    below = np.isnan(gold)
    if (gold < 0).any() or not (mass > 0).all() or not (step[below] > 0).all():
        raise ValueError(
            "A pan has a portion of some mass, and gold of no less than nothing or below a scale's step."
        )
    return Columns(
        grade_g_per_t=gold * 1000 / mass,
        limit_g_per_t=np.where(below, step * 1000 / mass, np.nan),
        is_below=below,
        is_above=np.zeros(len(gold), dtype=bool),
        mass_g=mass,
        share=share,
        day=day,
        code=np.array(code, dtype=str),
    )


def assay_columns(
    grade_g_per_t: Sequence[float | None],
    limit_g_per_t: Sequence[float | None],
    is_below: Sequence[bool],
    is_above: Sequence[bool],
    mass_g: Sequence[float],
    share: np.ndarray,
    day: np.ndarray,
    code: Sequence[str],
) -> Columns:
    """Return assays as columns; None is a grade not measured, or no limit."""
    return Columns(
        grade_g_per_t=np.array(grade_g_per_t, dtype=float),
        limit_g_per_t=np.array(limit_g_per_t, dtype=float),
        is_below=np.array(is_below, dtype=bool),
        is_above=np.array(is_above, dtype=bool),
        mass_g=np.array(mass_g, dtype=float),
        share=share,
        day=day,
        code=np.array(code, dtype=str),
    )


def joined(first: Columns, second: Columns) -> Columns:
    """Return the results of both, the first's before the second's."""
    return Columns(
        **{
            field.name: np.concatenate([getattr(first, field.name), getattr(second, field.name)])
            for field in fields(Columns)
        }
    )


def oldest_first(columns: Columns, kind: np.ndarray) -> np.ndarray:
    """Return the places of the results in order: by day, on one day by `kind`, and then by the lot's code."""
    return np.lexsort((columns.code, kind, columns.day))


def mean_of(columns: Columns) -> MeanGrade:
    """Return the mean grade; see `zone_grade.mean_grade`, whose rules and refusals are these.

    >>> one = np.ones(2)
    >>> mean = mean_of(pan_columns([2.4, None], [0.2, 0.2], [400.0, 400.0], one, one, "AB"))
    >>> round(mean.low_g_per_t, 2), round(mean.high_g_per_t, 2)
    (3.0, 3.25)
    """
    weight = columns.weight_g
    total = float(weight.sum())
    if not total > 0:
        raise ValueError("The weights sum to nothing.")
    gold, below, above = (float(part.sum()) for part in _golds(columns, weight))
    has_top = not (columns.is_above & np.isnan(columns.grade_g_per_t)).any()
    return MeanGrade((gold + above) / total, (gold + below) / total if has_top else None)


def mass_of(columns: Columns) -> float:
    """Return the mass in g that the results speak for together: each its share of the mass measured."""
    return float(columns.weight_g.sum())


def range_of(columns: Columns) -> tuple[float, float] | None:
    """Return the lowest and the highest measured grade; None where none was measured."""
    measured = columns.grade_g_per_t[~np.isnan(columns.grade_g_per_t)]
    return (float(measured.min()), float(measured.max())) if len(measured) else None


def without_richest(columns: Columns) -> WithoutRichest | None:
    """Return what the mean would be without the richest result; None where there are fewer than two.

    A result above its method's limit is richer than any figure. Of equals the first is taken.
    """
    if len(columns) < 2:
        return None
    grade = np.where(np.isnan(columns.grade_g_per_t), columns.limit_g_per_t, columns.grade_g_per_t)
    grade = np.where(columns.is_below, 0.0, grade)
    if columns.is_above.any():
        grade = np.where(columns.is_above, grade, -1.0)
    richest = int(np.argmax(grade))
    rest = np.arange(len(columns)) != richest
    return WithoutRichest(richest, mean_of(columns), mean_of(columns.at(rest)))


def dig_values(
    columns: Columns,
    group: np.ndarray,
    digs: Sequence[frozenset[int]],
    method: np.ndarray,
    methods: Sequence[str],
) -> list[DigValue]:
    """Return what the results say of each group of digs together, each weighted by the mass measured, by day.

    Parameters
    ----------
    columns : Columns of n results
    group : ndarray of int, shape (n,)
        Which of `digs` each result tells of; -1 for none. A group without a result raises ValueError.
    digs : sequence of frozenset, shape (k,)
    method : ndarray of int, shape (n,)
        Which of `methods` each was done by.
    """
    told = group >= 0
    columns, group, method = columns.at(told), group[told], method[told]
    number = np.bincount(group, minlength=len(digs))
    if not number.all():
        raise ValueError("A group of digs without a result has no value.")
    weight = columns.weight_g

    def summed(each: np.ndarray) -> np.ndarray:
        return np.bincount(group, each, minlength=len(digs))

    total = summed(weight)
    gold, below, above = (summed(part) for part in _golds(columns, weight))
    has_no_top = summed(columns.is_above & np.isnan(columns.grade_g_per_t)) > 0
    first = np.full(len(digs), np.iinfo(np.int64).max)
    np.minimum.at(first, group, columns.day)
    names: list[set[str]] = [set() for _ in digs]
    for pair in np.unique(group * len(methods) + method).tolist():
        names[pair // len(methods)].add(methods[pair % len(methods)])
    values = [
        DigValue(
            digs=digs[place],
            low_g_per_t=float((gold[place] + above[place]) / total[place]),
            high_g_per_t=None if has_no_top[place] else float((gold[place] + below[place]) / total[place]),
            weight_g=float(total[place]),
            results=int(number[place]),
            day=datetime.date.fromordinal(int(first[place])),
            methods=frozenset(names[place]),
        )
        for place in range(len(digs))
    ]
    return sorted(values, key=lambda value: (value.day, min(value.digs)))


def _golds(columns: Columns, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Grade times weight of what was measured, of limits from above and of limits from below; nought elsewhere."""
    measured = ~np.isnan(columns.grade_g_per_t)
    limited = np.where(measured, 0.0, columns.limit_g_per_t * weight)
    return (
        np.where(measured, columns.grade_g_per_t * weight, 0.0),
        np.where(columns.is_below & ~measured, limited, 0.0),
        np.where(columns.is_above & ~measured, limited, 0.0),
    )
