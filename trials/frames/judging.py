"""A row of pans side by side, as a judge may know it; and, once the trial is closed, what the judges made of the rows."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from prospecting.calc.language import phrase, phrase_counted
from prospecting.models import Member
from trials.calc.judging import in_steps, mean_places, opposite_pairs, pan_order
from trials.models import Block, Judging, KeyOpening, PlannedRun, Run, Trial


@dataclass(frozen=True)
class Row:
    """The pans of one block by their codes alone, in the order this judge is shown them: all that have not failed.

    `missing` runs are not in yet (a phone may hold them still); `failed` ones have no pan in the row. `judged` are the judgings
    kept so far, without their places: what others saw stays hidden until the key is open. `knowing` know which code is which
    treatment.
    """

    block: Block
    codes: list[str]
    missing: list[str]
    failed: list[str]
    judged: list[Judging]
    knowing: list[Member]

    @property
    def can_be_set_up(self) -> bool:
        return len(self.codes) > 1

    def judging_of(self, member: Member) -> Judging | None:
        return next((judging for judging in self.judged if judging.judge_id == member.pk), None)

    @property
    def judges(self) -> list[int]:
        return [judging.judge_id for judging in self.judged]


def row_of(block: Block, judge: Member) -> Row:
    """What this judge may know of the block; six queries, none of which reads a treatment."""
    planned = list(block.planned_runs.blind())
    in_row = set(block.planned_runs.in_row().values_list("pk", flat=True))
    failed = [each.blind_code for each in planned if each.is_logged and each.pk not in in_row]
    codes = [each.blind_code for each in planned if each.blind_code not in failed]
    return Row(
        block=block,
        codes=pan_order(codes, block.pk, judge.pk),
        missing=[each.blind_code for each in planned if not each.is_logged],
        failed=failed,
        judged=judged_so_far(block),
        knowing=_knowing(block.trial),
    )


def judged_so_far(block: Block) -> list[Judging]:
    """The judgings kept of a block, without their places."""
    return list(block.judgings.select_related("judge", "recorded_by"))


def _knowing(trial: Trial) -> list[Member]:
    """The mixer, and whoever opened the key."""
    opened = (opening.member for opening in trial.key_openings.select_related("member"))
    return list({member.pk: member for member in (trial.mixer, *opened)}.values())


@dataclass(frozen=True)
class Looked:
    """One judge's look at one row, once its key is open: pans alike stand together, most gold first."""

    judging: Judging
    is_blind: bool
    order: list[list[str]]

    @property
    def light(self) -> str:
        return dict(Run.Light.choices).get(self.judging.light, "")


@dataclass(frozen=True)
class JudgedRow:
    """One block: its looks, and the treatments in the order of their mean places."""

    number: int
    looks: list[Looked]
    order: list[tuple[str, str]]


@dataclass(frozen=True)
class Judged:
    """What the judges made of a closed trial's rows.

    `place_of` gives a planned run's mean place in its block; `of` how many pans were placed there. Sentences are said where the
    verdict is read: `blindness` (and whether all was blind), `agreement`, `opposed`.
    """

    rows: list[JudgedRow]
    place_of: dict[int, float]
    placed_in: dict[int, int]
    judges_in: dict[int, int]
    blindness: str
    all_blind: bool
    agreement: str
    opposed: list[str]


def judgings_of(trials: Collection[Trial]) -> dict[int, list[Judging]]:
    """Every judging of these trials with its places, by trial; two queries, none for no trials."""
    kept = Judging.objects.filter(block__trial__in=trials).select_related(
        "block", "judge", "recorded_by", "photo"
    )
    found: dict[int, list[Judging]] = defaultdict(list)
    for judging in kept.prefetch_related("places"):
        found[judging.block.trial_id].append(judging)
    return found


def judged_of(
    trial: Trial,
    planned_runs: Sequence[PlannedRun],
    openings: Sequence[KeyOpening],
    judgings: Iterable[Judging],
) -> Judged:
    """What the judgings of a closed trial come to."""
    looks: dict[int, list[Judging]] = defaultdict(list)
    for judging in judgings:
        looks[judging.block_id].append(judging)
    counted = {planned.pk for planned in planned_runs if _counts(planned)}
    place_of, placed_in, judges_in, of_blocks, rows = {}, {}, {}, {}, []
    pans: dict[int, list[PlannedRun]] = defaultdict(list)
    for planned in planned_runs:
        pans[planned.block_id].append(planned)
    for block_id, kept in looks.items():
        # A run that was marked failed after it was judged leaves the row; the others close the gap.
        said = [
            {pan.planned_id: pan.place for pan in judging.places.all() if pan.planned_id in counted}
            for judging in kept
        ]
        means = mean_places(said)
        place_of |= means
        placed_in |= dict.fromkeys(means, len(means))
        judges_in |= dict.fromkeys(means, len(kept))
        of_blocks[block_id] = [{pan: places[pan] for pan in means} for places in said]
        rows.append(_judged_row(trial, pans[block_id], kept, means, openings))
    rows.sort(key=lambda row: row.number)
    blindness, all_blind = _blindness([look for row in rows for look in row.looks])
    return Judged(
        rows=rows,
        place_of=place_of,
        placed_in=placed_in,
        judges_in=judges_in,
        blindness=blindness,
        all_blind=all_blind,
        agreement=_agreement(of_blocks.values()),
        opposed=_opposed(looks, of_blocks),
    )


def _counts(planned: PlannedRun) -> bool:
    run: Run | None = getattr(planned, "run", None)
    return run is not None and not run.failed and not run.is_void


def _judged_row(trial, pans, kept, means, openings) -> JudgedRow:
    code_of = {planned.pk: planned.blind_code for planned in pans}
    in_order = sorted((planned for planned in pans if planned.pk in means), key=lambda each: means[each.pk])
    return JudgedRow(
        number=pans[0].block.number,
        looks=[
            Looked(judging, _is_blind(trial, judging, openings), _in_words(judging, code_of))
            for judging in kept
        ],
        order=[(planned.blind_code, planned.treatment.name) for planned in in_order],
    )


def _in_words(judging: Judging, code_of: dict[int, str]) -> list[list[str]]:
    places = in_steps({code_of[pan.planned_id]: pan.place for pan in judging.places.all()})
    order: list[list[str]] = [[] for _ in set(places.values())]
    for code, place in places.items():
        order[place - 1].append(code)
    return order


def _is_blind(trial: Trial, judging: Judging, openings: Iterable[KeyOpening]) -> bool:
    return judging.judge_id != trial.mixer_id and not any(
        opening.member_id == judging.judge_id and opening.opened_at < judging.recorded_at
        for opening in openings
    )


def _blindness(looks: Sequence[Looked]) -> tuple[str, bool]:
    if not looks:
        return "", True
    seeing = [look for look in looks if not look.is_blind]
    if not seeing:
        return phrase_counted(
            "Judged blind: nobody who judged one of the {number} look at a row had seen the key.",
            "Judged blind: nobody who judged one of the {number} looks at a row had seen the key.",
            len(looks),
        ), True
    names = ", ".join(dict.fromkeys(str(look.judging.judge) for look in seeing))
    return phrase_counted(
        "{number} of {looks} judging was by someone who knew which code was which treatment ({names}): an eye that knows "
        "sees what it hopes for, so this verdict is weaker than its figures.",
        "{number} of {looks} judgings were by someone who knew which code was which treatment ({names}): an eye that knows "
        "sees what it hopes for, so this verdict is weaker than its figures.",
        len(seeing),
        looks=len(looks),
        names=names,
    ), False


def _agreement(blocks: Iterable[list[dict[int, int]]]) -> str:
    from trials.calc.agreement import agreement

    several = [[list(places.values()) for places in said] for said in blocks if len(said) > 1]
    found = agreement([rows for rows in several if len(rows[0]) > 1])
    if found is not None:
        return found.sentence
    if several:
        return phrase(
            "No judge of a row with several judges set its pans apart, so nothing is known of how far they agree."
        )
    return phrase(
        "Every row was judged by one pair of eyes: how far another judge would agree is not known. Two judges a row tell it."
    )


def _opposed(looks: dict[int, list[Judging]], of_blocks: dict[int, list[dict[int, int]]]) -> list[str]:
    """Pairs of judges who put more pairs of pans the other way round than the same way, and in which blocks."""
    blocks: dict[tuple[str, str], list[int]] = defaultdict(list)
    for block_id, kept in looks.items():
        for (one, said), (other, answered) in combinations(zip(kept, of_blocks[block_id], strict=True), 2):
            same, opposite = opposite_pairs(said, answered)
            if opposite > same:
                blocks[str(one.judge), str(other.judge)].append(one.block.number)
    return [
        phrase(
            "{one} and {other} disagree widely in {blocks}: more pairs of pans the other way round "
            "than the same way.",
            one=one,
            other=other,
            blocks=_named_blocks(told),
        )
        for (one, other), told in blocks.items()
    ]


def _named_blocks(numbers: Sequence[int]) -> str:
    named = ", ".join(map(str, sorted(numbers)))
    return phrase_counted("block {blocks}", "blocks {blocks}", len(numbers), blocks=named)
